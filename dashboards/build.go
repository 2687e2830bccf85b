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

// All lists the dashboards.
func All() []Dashboard { return []Dashboard{Relay(), Fleet()} }

// JSON is the dashboard as Grafana imports it, ending in a newline.
func (d Dashboard) JSON() ([]byte, error) {
	built, err := d.Build()
	if err != nil {
		return nil, err
	}
	b, err := json.MarshalIndent(built, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("marshal dashboard %s: %w", d.UID, err)
	}
	return append(b, '\n'), nil
}

// Build makes Grafana's form of it.
func (d Dashboard) Build() (dashboard.Dashboard, error) {
	b := dashboard.NewDashboardBuilder(d.Title).
		Uid(d.UID).
		Description(d.About).
		Tags([]string{"candlemark"}).
		Refresh("30s").
		Time(d.From, "now").
		Timezone("browser").
		Tooltip(dashboard.DashboardCursorSyncCrosshair).
		Readonly().
		Link(dashboard.NewDashboardLinkBuilder(d.Link.Title).Type(dashboard.DashboardLinkTypeLink).
			Url(d.Link.URL).Tooltip(d.Link.Hint).KeepTime(true)).
		WithVariable(dashboard.NewDatasourceVariableBuilder("datasource").Label("Prometheus").Type("prometheus"))
	for _, v := range d.Variables {
		b = b.WithVariable(queryVariable(v))
	}
	for _, m := range d.Marks {
		b = b.Annotation(dashboard.NewAnnotationQueryBuilder().
			Name(m.Name).Datasource(source()).Enable(true).IconColor(m.Colour).
			Expr(m.Expr).TitleFormat(m.Title).TextFormat(m.Text))
	}
	for _, s := range d.Sections {
		b = b.WithRow(dashboard.NewRowBuilder(s.Title))
		for _, p := range s.Panels {
			switch {
			case p.Table != nil:
				b = b.WithPanel(tablePanel(p))
			case p.Now:
				b = b.WithPanel(statPanel(p))
			default:
				b = b.WithPanel(graphPanel(p))
			}
		}
	}
	built, err := b.Build()
	if err != nil {
		return dashboard.Dashboard{}, fmt.Errorf("build dashboard %s: %w", d.UID, err)
	}
	return built, nil
}

func source() common.DataSourceRef {
	return common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${datasource}")}
}

func queryVariable(v Variable) *dashboard.QueryVariableBuilder {
	b := dashboard.NewQueryVariableBuilder(v.Name).
		Label(v.Label).
		Datasource(source()).
		Query(dashboard.StringOrMap{String: &v.Query}).
		Definition(v.Query).
		Refresh(dashboard.VariableRefreshOnTimeRangeChanged).
		Sort(dashboard.VariableSortAlphabeticalAsc)
	if v.Several {
		// ".*" takes series without the label too, which Grafana's own "all" would not.
		b = b.Multi(true).IncludeAll(true).AllValue(".*").Current(dashboard.VariableOption{
			Selected: cog.ToPtr(true),
			Text:     dashboard.StringOrArrayOfString{ArrayOfString: []string{"All"}},
			Value:    dashboard.StringOrArrayOfString{ArrayOfString: []string{"$__all"}},
		})
	}
	return b
}

// thresholds are Grafana's form of steps: calm below the first.
func thresholds(steps []Step) *dashboard.ThresholdsConfigBuilder {
	all := []dashboard.Threshold{{Color: calm}}
	for _, s := range steps {
		all = append(all, dashboard.Threshold{Value: cog.ToPtr(s.Value), Color: s.Colour})
	}
	return dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).Steps(all)
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
		// What is meant is said in words; colour only draws the eye.
		ColorMode(common.BigValueColorModeNone).
		GraphMode(common.BigValueGraphModeNone).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"}))
	if len(p.Steps) > 0 {
		b = b.ColorMode(common.BigValueColorModeValue).Thresholds(thresholds(p.Steps))
	}
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
	if len(p.Steps) > 0 {
		b = b.Thresholds(thresholds(p.Steps)).
			ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(common.GraphThresholdsStyleModeDashed))
	}
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
