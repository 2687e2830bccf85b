package config

import (
	_ "embed"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"reflect"
	"strings"
	"time"
)

//go:embed example.yaml
var exampleText string

//go:embed schema.go
var schemaText string

//go:embed schema_local.go
var schemaLocalText string

//go:embed schema_link.go
var schemaLinkText string

//go:embed schema_receiver.go
var schemaReceiverText string

// Example is a commented configuration that Parse accepts.
func Example() []byte { return []byte(exampleText) }

// Reference describes every key as a Markdown table for each group of keys, made
// from the schema and its doc comments, so that it cannot say anything else.
func Reference() (string, error) {
	comments := map[string]string{}
	for _, text := range []string{schemaText, schemaLocalText, schemaLinkText, schemaReceiverText} {
		file, err := parser.ParseFile(token.NewFileSet(), "", text, parser.ParseComments)
		if err != nil {
			return "", fmt.Errorf("schema: %w", err)
		}
		maps.Copy(comments, commentsOf(file))
	}
	var b strings.Builder
	reference(&b, comments, reflect.TypeFor[Config](), "")
	return strings.TrimSpace(b.String()) + "\n", nil
}

// reference writes the table of t, whose keys stand below prefix, and then those
// of the groups within it.
func reference(b *strings.Builder, comments map[string]string, t reflect.Type, prefix string) {
	title := "At the top of the file"
	if prefix != "" {
		title = "Below `" + prefix + "`"
	}
	fmt.Fprintf(b, "**%s**\n\n| key | value | default | meaning |\n|---|---|---|---|\n", title)
	type group struct {
		t      reflect.Type
		prefix string
	}
	var groups []group
	for i := range t.NumField() {
		field := t.Field(i)
		key := field.Tag.Get("key")
		if key == "" {
			continue
		}
		inner, list := field.Type, ""
		if inner.Kind() == reflect.Slice {
			inner, list = inner.Elem(), "list of "
		}
		if inner.Kind() == reflect.Pointer {
			inner = inner.Elem()
		}
		value, below := list+valueWords(inner, field.Tag), key
		if inner.Kind() == reflect.Struct {
			if prefix != "" {
				below = prefix + "." + key
			}
			if list != "" {
				below += "[]"
			}
			groups = append(groups, group{inner, below})
			value = list + "keys, see below"
		}
		fmt.Fprintf(b, "| `%s` | %s | %s | %s |\n", key, value, defaultWords(field), comments[t.Name()+"."+field.Name])
	}
	b.WriteString("\n")
	for _, g := range groups {
		reference(b, comments, g.t, g.prefix)
	}
}

// valueWords says what may stand as the value of a key.
func valueWords(t reflect.Type, tag reflect.StructTag) string {
	if choice := strings.Fields(tag.Get("oneof")); len(choice) > 0 {
		return "`" + strings.Join(choice, "`, `") + "`"
	}
	zero := reflect.Zero(t).Interface()
	words := map[reflect.Kind]string{reflect.String: "text", reflect.Bool: "`true`, `false`", reflect.Int: "number"}[t.Kind()]
	switch zero.(type) {
	case time.Duration:
		words = "time"
	case Address:
		words = "address"
	case Bus:
		words = "bus"
	case Line:
		words = "number or name"
	case TimeOfDay:
		words = "time of day"
	}
	if u, ok := unitOf(zero); ok {
		words = u.symbols[0]
	}
	if low, high := tag.Get("min"), tag.Get("max"); low != "" {
		words += ", " + low + " to " + high
	}
	return words
}

func defaultWords(field reflect.StructField) string {
	text, ok := field.Tag.Lookup("default")
	switch {
	case field.Tag.Get("need") != "":
		return "needed"
	case !ok:
		return ""
	case field.Type.Kind() == reflect.Slice:
		return "`[" + strings.Join(strings.Fields(text), ", ") + "]`"
	}
	return "`" + text + "`"
}

// commentsOf finds the doc comment of each field by "Type.Field".
func commentsOf(file *ast.File) map[string]string {
	comments := map[string]string{}
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.TypeSpec)
		if !ok {
			return true
		}
		if s, ok := spec.Type.(*ast.StructType); ok {
			for _, field := range s.Fields.List {
				for _, name := range field.Names {
					comments[spec.Name.Name+"."+name.Name] = strings.Join(strings.Fields(field.Doc.Text()), " ")
				}
			}
		}
		return true
	})
	return comments
}
