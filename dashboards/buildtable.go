//lint:file-ignore SA1019 the classic form is the one that every Grafana in the field imports

package dashboards

import (
	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/table"
)

const tableHeight = 12

// toRelay leads from a row to the dashboard of its relay.
const toRelay = "/d/" + relayUID + "?var-relay=${__data.fields.relay:percentencode}&var-datasource=${datasource}&${__url_time_range}"

// tablePanel joins the queries' rows by their labels: merge puts rows with the same
// labels together, organize gives the columns their order and their headings.
func tablePanel(p Panel) *table.PanelBuilder {
	order := map[string]int{"relay": 0, "site": 1, "incident": 2, "severity": 3, "alarm": 4}
	headings := map[string]string{}
	sortBy := p.Table.SortBy
	for _, q := range p.Queries {
		column := "Value #" + q.Ref
		order[column] = len(order)
		headings[column] = q.Legend
		if q.Ref == p.Table.SortBy {
			sortBy = q.Legend
		}
	}
	b := table.NewPanelBuilder().
		Title(p.Title).Description(p.Help).Unit(p.Unit).NoValue(p.Empty).
		Datasource(source()).Span(p.Width).Height(tableHeight).
		Thresholds(thresholds(nil)).
		// No sums, which say nothing about relays, but pages; the schema wants the empty list said.
		Footer(common.NewTableFooterOptionsBuilder().Show(false).Reducer([]string{}).EnablePagination(true)).
		SortBy([]cog.Builder[common.TableSortByFieldState]{
			common.NewTableSortByFieldStateBuilder().DisplayName(sortBy).Desc(p.Table.Desc),
		}).
		WithTransformation(dashboard.DataTransformerConfig{Id: "merge", Options: map[string]any{}}).
		WithTransformation(dashboard.DataTransformerConfig{Id: "organize", Options: map[string]any{
			"excludeByName": map[string]bool{"Time": true},
			"indexByName":   order,
			"renameByName":  headings,
		}}).
		OverrideByName("relay", []dashboard.DynamicConfigValue{{Id: "links", Value: []map[string]any{
			{"title": "Open relay ${__data.fields.relay}", "url": toRelay},
		}}})
	for _, q := range p.Queries {
		b = b.WithTarget(target(q).Instant().Format(prometheus.PromQueryFormatTable))
		var set []dashboard.DynamicConfigValue
		if unit, ok := p.Table.Units[q.Ref]; ok {
			set = append(set, dashboard.DynamicConfigValue{Id: "unit", Value: unit})
		}
		if steps, ok := p.Table.Steps[q.Ref]; ok {
			// It was just built from plain numbers; there is nothing that could fail.
			config, _ := thresholds(steps).Build()
			set = append(set, dashboard.DynamicConfigValue{Id: "thresholds", Value: config},
				dashboard.DynamicConfigValue{Id: "custom.cellOptions", Value: map[string]any{"type": "color-text"}})
		}
		if len(set) > 0 {
			b = b.OverrideByName(q.Legend, set)
		}
	}
	return b
}
