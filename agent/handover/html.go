package handover

import (
	_ "embed"
	"html/template"
	"io"
)

//go:embed page.html
var pageSource string

// HTML writes the page as one file of HTML without outside assets, to print in
// black and white on A4 or Letter.
func HTML(w io.Writer, p Page) error {
	t, err := template.New("handover").Funcs(template.FuncMap{"pairs": pairs}).Parse(pageSource)
	if err != nil {
		return err
	}
	return t.Execute(w, view{Page: p, Left: p.left})
}

type view struct {
	Page
	Left int
}

// pairs sets rows two by two.
func pairs(list []Row) [][]Row {
	var out [][]Row
	for i := 0; i < len(list); i += 2 {
		out = append(out, list[i:min(i+2, len(list))])
	}
	return out
}
