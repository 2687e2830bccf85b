//lint:file-ignore SA1019 the classic form is the one that every Grafana in the field imports

package dashboards

import (
	"encoding/json"
	"fmt"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"
)

const (
	nowHeight   = 5
	graphHeight = 8
)

// JSON is the dashboard as Grafana imports it, ending in a newline.
func JSON() ([]byte, error) {
	d, err := Build()
	if err != nil {
		return nil, err
	}
	b, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("marshal dashboard relay: %w", err)
	}
	return append(b, '\n'), nil
}

// Build makes the dashboard of Sections.
func Build() (dashboard.Dashboard, error) {
	b := dashboard.NewDashboardBuilder("Candlemark: one relay").
		Uid("candlemark-relay").
		Description("How long a relay's pack lasts, what its link does, and whether these figures can be trusted. An estimate is not a promise; keep a reserve.").
		Tags([]string{"candlemark"}).
		Refresh("30s").
		Time("now-6h", "now").
		Timezone("browser").
		Tooltip(dashboard.DashboardCursorSyncCrosshair).
		Readonly().
		WithVariable(dashboard.NewDatasourceVariableBuilder("datasource").Label("Prometheus").Type("prometheus")).
		WithVariable(queryVariable("relay", "Relay", "label_values(candlemark_build_info, relay)")).
		WithVariable(queryVariable("pack", "Pack", `label_values(candlemark_pack_state{relay="$relay"}, pack)`))
	for _, s := range Sections() {
		b = b.WithRow(dashboard.NewRowBuilder(s.Title))
		for _, p := range s.Panels {
			if p.Now {
				b = b.WithPanel(statPanel(p))
			} else {
				b = b.WithPanel(graphPanel(p))
			}
		}
	}
	d, err := b.Build()
	if err != nil {
		return dashboard.Dashboard{}, fmt.Errorf("build dashboard relay: %w", err)
	}
	return d, nil
}

func source() common.DataSourceRef {
	return common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${datasource}")}
}

func queryVariable(name, label, query string) *dashboard.QueryVariableBuilder {
	return dashboard.NewQueryVariableBuilder(name).
		Label(label).
		Datasource(source()).
		Query(dashboard.StringOrMap{String: &query}).
		Definition(query).
		Refresh(dashboard.VariableRefreshOnTimeRangeChanged).
		Sort(dashboard.VariableSortAlphabeticalAsc)
}

func statPanel(p Panel) *stat.PanelBuilder {
	text := common.BigValueTextModeValueAndName
	if p.Names {
		text = common.BigValueTextModeName
	}
	b := stat.NewPanelBuilder().
		Title(p.Title).Description(p.Help).Unit(p.Unit).NoValue(p.Empty).
		Datasource(source()).Span(p.Width).Height(nowHeight).
		TextMode(text).
		// One colour for all: what is meant is said in words, not in red and green.
		ColorMode(common.BigValueColorModeNone).
		GraphMode(common.BigValueGraphModeNone).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"}))
	if len(p.Words) > 0 {
		options := make(map[string]dashboard.ValueMappingResult, len(p.Words))
		for value, words := range p.Words {
			options[value] = dashboard.ValueMappingResult{Text: &words}
		}
		b = b.Mappings([]dashboard.ValueMapping{{ValueMap: &dashboard.ValueMap{Type: dashboard.MappingTypeValueToText, Options: options}}})
	}
	for _, q := range p.Queries {
		// Instant: a stat shows what is, and "no value" as soon as there is none.
		b = b.WithTarget(target(q).Instant())
	}
	return b
}

func graphPanel(p Panel) *timeseries.PanelBuilder {
	b := timeseries.NewPanelBuilder().
		Title(p.Title).Description(p.Help).Unit(p.Unit).NoValue(p.Empty).
		Datasource(source()).Span(p.Width).Height(graphHeight).
		// A gap is a time without measurement; it is not bridged.
		SpanNulls(common.BoolOrFloat64{Bool: cog.ToPtr(false)}).
		Legend(common.NewVizLegendOptionsBuilder().
			ShowLegend(true).
			DisplayMode(common.LegendDisplayModeList).
			Placement(common.LegendPlacementBottom))
	if p.Band != [2]string{} {
		b = b.OverrideByName(p.Band[1], []dashboard.DynamicConfigValue{
			{Id: "custom.fillBelowTo", Value: p.Band[0]},
			{Id: "custom.fillOpacity", Value: 20},
		})
	}
	for _, q := range p.Queries {
		b = b.WithTarget(target(q).Range())
	}
	return b
}

func target(q Query) *prometheus.DataqueryBuilder {
	return prometheus.NewDataqueryBuilder().
		RefId(q.Ref).
		Datasource(source()).
		EditorMode(prometheus.QueryEditorModeCode).
		Expr(q.Expr).
		LegendFormat(q.Legend)
}
