package config

import (
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// fields are the keys of a struct of the schema, in the order of their declaration.
type fields struct {
	names []string
	index map[string]int
}

func fieldsOf(t reflect.Type) fields {
	f := fields{index: map[string]int{}}
	for i := range t.NumField() {
		if name := t.Field(i).Tag.Get("key"); name != "" {
			f.names = append(f.names, name)
			f.index[name] = i
		}
	}
	return f
}

// place is where node begins.
func place(node ast.Node) position {
	if node == nil || reflect.ValueOf(node).IsNil() {
		return position{1, 1}
	}
	if m, ok := node.(*ast.MappingNode); ok && !m.IsFlowStyle && len(m.Values) > 0 {
		return place(m.Values[0].Key) // a block mapping's own token is its first colon
	}
	if m, ok := node.(*ast.MappingValueNode); ok {
		return place(m.Key)
	}
	tk := node.GetToken()
	if tk == nil || tk.Position == nil {
		return position{1, 1}
	}
	return position{max(tk.Position.Line, 1), max(tk.Position.Column, 1)}
}

// mappingEntries are the pairs of a mapping; nil has none.
func mappingEntries(node ast.Node) ([]*ast.MappingValueNode, bool) {
	switch n := node.(type) {
	case nil:
		return nil, true
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

func keyText(key ast.Node) string {
	if s, ok := key.(*ast.StringNode); ok {
		return s.Value
	}
	if tk := key.GetToken(); tk != nil {
		return tk.Value
	}
	return ""
}

// scalarText is a scalar as it is written, without quotes.
func scalarText(node ast.ScalarNode) (string, form) {
	switch n := node.(type) {
	case *ast.StringNode:
		return n.Value, formText
	case *ast.LiteralNode:
		return n.Value.Value, formText
	case *ast.IntegerNode:
		return n.Token.Value, formInteger
	case *ast.BoolNode:
		return n.Token.Value, formBool
	case *ast.FloatNode:
		return n.Token.Value, formFloat
	}
	if tk := node.GetToken(); tk != nil {
		return tk.Value, formFloat // .inf and .nan
	}
	return "", formFloat
}

func describe(node ast.Node) string {
	switch node.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a group of keys"
	case *ast.SequenceNode:
		return "a list"
	}
	return "something else"
}

// sample is a value that a field could have, for remedies.
func sample(field reflect.StructField) string {
	if text := field.Tag.Get("default"); text != "" {
		return text
	}
	if choice := strings.Fields(field.Tag.Get("oneof")); len(choice) > 0 {
		return strings.Join(choice, " or ")
	}
	zero := reflect.Zero(field.Type).Interface()
	if u, ok := unitOf(zero); ok {
		return u.example
	}
	switch zero.(type) {
	case time.Duration:
		return "30s"
	case int:
		return strconv.Itoa(5)
	case string:
		return "TEXT"
	}
	return "and its keys"
}
