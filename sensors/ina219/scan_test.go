package ina219_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"candlemark/sensors/ina219"
	"candlemark/sensors/ina219/ina219test"
)

func TestScanFindsChipsAndTellsAStranger(t *testing.T) {
	stranger := ina219test.New(0x45, 0.1)
	stranger.Stick(ina219.RegConfig, 0x1234)
	bus := ina219test.NewBus("i2c-1", ina219test.New(0x40, 0.1), ina219test.New(0x4F, 0.1), stranger)
	got, err := ina219.Scan(bus)
	if err != nil {
		t.Fatal(err)
	}
	want := []ina219.Found{
		{Address: 0x40, Config: 0x399F, Likely: true}, // power-on value: SBOS448F table 4, checks A2
		{Address: 0x45, Config: 0x1234},
		{Address: 0x4F, Config: 0x399F, Likely: true},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestScanOfAnEmptyBusFindsNothing(t *testing.T) {
	got, err := ina219.Scan(ina219test.NewBus("i2c-1"))
	if err != nil || len(got) != 0 {
		t.Errorf("found %v, %v", got, err)
	}
}
