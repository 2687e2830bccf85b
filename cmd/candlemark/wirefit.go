package main

import (
	"time"

	"candlemark/agent/config"
	"candlemark/probes/quality"
)

// needs are the configured needs as the judge wants them. One that is as the
// judge's own keeps its source; any other has the source that the file gives.
func needs(f config.Fit) quality.Needs {
	n := quality.DefaultNeeds()
	n.UsableShare = float64(f.UsableShare)
	ms := func(d time.Duration) float64 { return quality.Milliseconds(d) }

	v := f.Voice
	set(&n.Voice.OneWayMs, v.OneWay, v.Source, ms)
	set(&n.Voice.VariationMs, v.Variation, v.Source, ms)
	set(&n.Voice.LossRatio, v.Loss, v.Source, asIs)
	set(&n.Voice.Rating, v.Rating, v.Source, asIs)
	set(&n.Voice.BitS, v.Rate, v.Source, asIs)

	m := f.VideoMeeting
	set(&n.VideoMeeting.OneWayMs, m.OneWay, m.Source, ms)
	set(&n.VideoMeeting.VariationMs, m.Variation, m.Source, ms)
	set(&n.VideoMeeting.LossRatio, m.Loss, m.Source, asIs)
	set(&n.VideoMeeting.BitS, m.Rate, m.Source, asIs)

	n.FormsMessaging.Bytes = float64(f.Forms.Size)
	set(&n.FormsMessaging.Seconds, f.Forms.Time, f.Forms.Source, time.Duration.Seconds)
	set(&n.FormsMessaging.LossRatio, f.Forms.Loss, f.Forms.Source, asIs)
	set(&n.FormsMessaging.UserBitS, f.Forms.Rate, f.Forms.Source, asIs)

	n.FileMove.Bytes = float64(f.File.Size)
	set(&n.FileMove.Seconds, f.File.Time, f.File.Source, time.Duration.Seconds)
	set(&n.FileMove.LossRatio, f.File.Loss, f.File.Source, asIs)
	return n
}

func asIs[T int | config.Ratio | config.BitRate](v T) float64 { return float64(v) }

func set[T any](n *quality.Need, values []T, source string, convert func(T) float64) {
	const rounding = 1e-9 // of percent written in the file
	preferred, limit := convert(values[0]), convert(values[1])
	if differs := func(a, b float64) bool { return a-b > rounding || b-a > rounding }; differs(n.Preferred, preferred) || differs(n.Limit, limit) {
		*n = quality.Need{Preferred: preferred, Limit: limit, Source: source}
	}
}
