package promtest

import (
	"context"
	"math"
	"slices"
	"testing"

	"github.com/prometheus/client_golang/exp/api/remote"
	"google.golang.org/protobuf/encoding/protowire"
)

// Series is one series with the samples to write, in order of time.
type Series struct {
	labels []byte // encoded
	Points []Point
}

// NewSeries is a series without samples. Labels are pairs of name and value.
func NewSeries(name string, labels ...string) *Series {
	pairs := [][2]string{{"__name__", name}}
	for l := range slices.Chunk(labels, 2) {
		if l[1] != "" { // in the data model an empty label is none
			pairs = append(pairs, [2]string{l[0], l[1]})
		}
	}
	slices.SortFunc(pairs, func(a, b [2]string) int { // as the protocol wants them
		if a[0] < b[0] {
			return -1
		}
		return 1
	})
	s := &Series{}
	for _, p := range pairs {
		label := protowire.AppendString(protowire.AppendTag(nil, 1, protowire.BytesType), p[0])
		label = protowire.AppendString(protowire.AppendTag(label, 2, protowire.BytesType), p[1])
		s.labels = protowire.AppendBytes(protowire.AppendTag(s.labels, 1, protowire.BytesType), label)
	}
	return s
}

// Writer pushes samples to a Prometheus that was started with Receive. It speaks
// version 1.0 of remote write, the only one that Debian's Prometheus knows.
type Writer struct {
	api *remote.API
	buf []byte
}

// NewWriter is a writer to s.
func NewWriter(t testing.TB, s *Server) *Writer {
	t.Helper()
	api, err := remote.NewAPI(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	return &Writer{api: api}
}

// request is an encoded prometheus.WriteRequest, in the library's way for types that
// encode themselves.
type request []byte

func (r request) Size() int                                  { return len(r) }
func (r request) MarshalToSizedBuffer(b []byte) (int, error) { return copy(b, r), nil }

// Write pushes all samples in one request.
func (w *Writer) Write(ctx context.Context, all []*Series) error {
	w.buf = w.buf[:0]
	var series, sample []byte
	for _, s := range all {
		series = append(series[:0], s.labels...)
		for _, p := range s.Points {
			sample = protowire.AppendFixed64(protowire.AppendTag(sample[:0], 1, protowire.Fixed64Type), math.Float64bits(p.Value))
			sample = protowire.AppendVarint(protowire.AppendTag(sample, 2, protowire.VarintType), uint64(p.Milliseconds))
			series = protowire.AppendBytes(protowire.AppendTag(series, 2, protowire.BytesType), sample)
		}
		w.buf = protowire.AppendBytes(protowire.AppendTag(w.buf, 1, protowire.BytesType), series)
	}
	_, err := w.api.Write(ctx, remote.WriteV1MessageType, request(w.buf))
	return err
}
