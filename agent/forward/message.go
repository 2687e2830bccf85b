package forward

import (
	"math"

	writev2 "github.com/prometheus/client_golang/exp/api/remote/genproto/v2"
	"google.golang.org/protobuf/encoding/protowire"
)

// sample is one figure of one series at one time.
type sample struct {
	series string
	ms     int64 // Unix time, milliseconds: remote write knows no finer
	value  float64
}

// bySeries groups samples, keeping the order in which series first appear and the
// order in time of each.
func bySeries(samples []sample) [][]sample {
	at := map[string]int{}
	var groups [][]sample
	for _, s := range samples {
		i, ok := at[s.series]
		if !ok {
			i = len(groups)
			at[s.series] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], s)
	}
	return groups
}

// message1 is an encoded prometheus.WriteRequest, the message of version 1.0, which
// the client library has no type for. It takes the library's way for types that
// encode themselves.
type message1 []byte

func (m message1) Size() int { return len(m) }

func (m message1) MarshalToSizedBuffer(b []byte) (int, error) {
	return copy(b, m), nil
}

// encode1 makes the message of version 1.0 (prompb/remote.proto, types.proto):
//
//	WriteRequest{1: repeated TimeSeries{1: repeated Label{1: name, 2: value}, 2: repeated Sample{1: double value, 2: int64 ms}}}
//
// Series that cannot be taken apart are left out; they were checked when they were gathered.
func encode1(samples []sample) message1 {
	var out, series, part []byte
	for _, group := range bySeries(samples) {
		_, labels, err := split(group[0].series)
		if err != nil {
			continue
		}
		series = series[:0]
		for _, l := range labels {
			part = protowire.AppendString(protowire.AppendTag(part[:0], 1, protowire.BytesType), l.name)
			part = protowire.AppendString(protowire.AppendTag(part, 2, protowire.BytesType), l.value)
			series = protowire.AppendBytes(protowire.AppendTag(series, 1, protowire.BytesType), part)
		}
		for _, s := range group {
			part = protowire.AppendFixed64(protowire.AppendTag(part[:0], 1, protowire.Fixed64Type), math.Float64bits(s.value))
			part = protowire.AppendVarint(protowire.AppendTag(part, 2, protowire.VarintType), uint64(s.ms))
			series = protowire.AppendBytes(protowire.AppendTag(series, 2, protowire.BytesType), part)
		}
		out = protowire.AppendBytes(protowire.AppendTag(out, 1, protowire.BytesType), series)
	}
	return out
}

// encode2 makes the message of version 2.0.
func encode2(samples []sample) *writev2.Request {
	symbols := writev2.NewSymbolTable()
	request := &writev2.Request{}
	for _, group := range bySeries(samples) {
		kind, labels, err := split(group[0].series)
		if err != nil {
			continue
		}
		ts := &writev2.TimeSeries{Metadata: &writev2.Metadata{Type: metricType(kind)}}
		for _, l := range labels {
			ts.LabelsRefs = append(ts.LabelsRefs, symbols.Symbolize(l.name), symbols.Symbolize(l.value))
		}
		for _, s := range group {
			ts.Samples = append(ts.Samples, &writev2.Sample{Value: s.value, Timestamp: s.ms})
		}
		request.Timeseries = append(request.Timeseries, ts)
	}
	request.Symbols = symbols.Symbols()
	return request
}

func metricType(kind byte) writev2.Metadata_MetricType {
	switch kind {
	case typeCounter:
		return writev2.Metadata_METRIC_TYPE_COUNTER
	case typeGauge:
		return writev2.Metadata_METRIC_TYPE_GAUGE
	case typeHistogram:
		return writev2.Metadata_METRIC_TYPE_HISTOGRAM
	case typeSummary:
		return writev2.Metadata_METRIC_TYPE_SUMMARY
	}
	return writev2.Metadata_METRIC_TYPE_UNSPECIFIED
}
