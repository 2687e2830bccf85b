package journal

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Whatever series come and go and whatever the figures, they are read as written.
func TestBatchesAreReadAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var gs []Gathering
		up := time.Duration(0)
		names := rapid.SliceOfNDistinct(rapid.StringN(1, 40, 80), 1, 20, rapid.ID[string])
		all := names.Draw(t, "series")
		slices.Sort(all)
		for i := range rapid.IntRange(1, 12).Draw(t, "gatherings") {
			up += time.Duration(rapid.Int64Range(0, 1<<40).Draw(t, "up"))
			g := Gathering{Seq: uint64(i + 1), Boot: "b", Up: up.Truncate(upUnit), Series: []string{}, Values: []float64{}}
			for _, s := range all {
				if rapid.Bool().Draw(t, "present") {
					g.Series = append(g.Series, s)
					g.Values = append(g.Values, rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, 1, math.Inf(1), math.NaN(), math.Copysign(0, -1)})).Draw(t, "figure"))
				}
			}
			gs = append(gs, g)
		}
		table, index := chapterFor(nil, nil, "b", gs)
		table, err := decodeChapter(0, table.encode())
		if err != nil {
			t.Fatal(err)
		}
		got, err := decodeBatch(table, uint64(len(gs)), encodeBatch(table, index, gs))
		if err != nil || len(got) != len(gs) {
			t.Fatal(len(got), err)
		}
		for i := range gs {
			same := got[i].Seq == gs[i].Seq && got[i].Up == gs[i].Up && slices.Equal(got[i].Series, gs[i].Series) &&
				slices.EqualFunc(got[i].Values, gs[i].Values, func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) })
			if !same {
				t.Fatalf("got %+v, want %+v", got[i], gs[i])
			}
		}
	})
}

// FuzzDecodeBatch: no bytes make the decoders panic or run away.
func FuzzDecodeBatch(f *testing.F) {
	gs := []Gathering{gather(1, 9), gather(2, 7)}
	gs[0].Seq, gs[1].Seq = 1, 2
	table, index := chapterFor(nil, nil, "b", gs)
	f.Add(table.encode(), encodeBatch(table, index, gs))
	f.Fuzz(func(t *testing.T, tableBytes, batch []byte) {
		table, err := decodeChapter(0, tableBytes)
		if err != nil {
			return
		}
		got, err := decodeBatch(table, math.MaxUint64, batch)
		if err != nil {
			return
		}
		h, _, err := decodeHead(batch)
		if err != nil || h.gatherings != len(got) {
			t.Errorf("the head says %+v, %v of %d gatherings", h, err, len(got))
		}
		for _, g := range got {
			if g.Up < 0 || len(g.Series) != len(g.Values) {
				t.Errorf("made up %+v", g)
			}
		}
	})
}

// Every single bit of a batch: found by its checksum, or by the decoder.
func TestAFlippedBitInABatchIsNeverReadAsFigures(t *testing.T) {
	gs := []Gathering{gather(1, 9), gather(2, 9)}
	gs[0].Seq, gs[1].Seq = 1, 2
	table, index := chapterFor(nil, nil, "b", gs)
	k := key(2)
	sealed := seal(bucketSamples, k, encodeBatch(table, index, gs))
	for bit := range len(sealed) * 8 {
		sealed[bit/8] ^= 1 << (bit % 8)
		if _, err := unseal(bucketSamples, k, sealed); err == nil {
			t.Errorf("bit %d is not noticed", bit)
		}
		sealed[bit/8] ^= 1 << (bit % 8)
	}
	rnd := rand.New(rand.NewPCG(1, 2)) // and where a checksum fits by chance, nothing panics
	for range 5000 {
		data := encodeBatch(table, index, gs)
		for range 1 + rnd.IntN(4) {
			data[rnd.IntN(len(data))] ^= byte(1 + rnd.IntN(255))
		}
		if got, err := decodeBatch(table, 2, data); err == nil && len(got) == 0 {
			t.Error("neither gatherings nor an error")
		}
	}
}
