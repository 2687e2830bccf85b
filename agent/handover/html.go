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
	t, err := template.New("handover").Parse(pageSource)
	if err != nil {
		return err
	}
	return t.Execute(w, view{Page: p, Left: p.left})
}

type view struct {
	Page
	Left int
}
