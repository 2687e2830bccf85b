package config

import (
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// decoder walks the syntax tree along the schema and gathers every fault,
// where a decoder that stops at the first would make the reader try again and again.
type decoder struct {
	file   string
	faults *Faults
	pos    positions
	// meant are the keys that a misspelt one probably stands for: to call them
	// missing, or wrong in their default, would only repeat its fault.
	meant map[string]bool
}

func (d *decoder) fault(at position, key, what, remedy string) {
	d.faults.List = append(d.faults.List, Fault{d.file, at.line, at.column, key, what, remedy})
}

// value reads node into v. tag is the schema of the field that v belongs to.
func (d *decoder) value(node ast.Node, v reflect.Value, tag reflect.StructTag, key string) {
	at := place(node)
	switch n := node.(type) {
	case nil, *ast.NullNode:
		d.fault(d.pos.of(key), key, "has no value", "give one or remove the key")
		return
	case *ast.AnchorNode, *ast.AliasNode, *ast.TagNode, *ast.MergeKeyNode:
		d.fault(at, key, "anchors, aliases and tags are not used here", "write the value out")
		return
	case ast.ScalarNode:
		d.scalar(n, v, tag, key)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		d.value(node, v.Elem(), tag, key)
	case reflect.Struct:
		if _, own := ownText(v); own {
			d.fault(at, key, "wants a single value, but "+describe(node)+" stands here", "write one value after the colon")
			return
		}
		d.structure(node, v, key)
	case reflect.Slice:
		d.list(node, v, tag, key)
	default:
		d.fault(at, key, "wants a single value, but "+describe(node)+" stands here", "write one value after the colon")
	}
}

func (d *decoder) scalar(node ast.ScalarNode, v reflect.Value, tag reflect.StructTag, key string) {
	at := place(node)
	for v.Kind() == reflect.Pointer {
		v.Set(reflect.New(v.Type().Elem()))
		v = v.Elem()
	}
	if _, ok := ownText(v); ok {
		d.pos[key] = at
		text, f := scalarText(node)
		d.report(set(v, text, f, tag), at, key)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		d.fault(at, key, "wants keys of its own, but a single value stands here", "indent its keys on the lines below")
		return
	case reflect.Slice:
		d.fault(at, key, "wants a list, but a single value stands here", "write it as [a, b] or as lines that begin with a dash")
		return
	}
	d.pos[key] = at
	text, f := scalarText(node)
	err := set(v, text, f, tag)
	if err == nil {
		err = inRange(v, text, tag)
	}
	d.report(err, at, key)
}

func (d *decoder) report(err error, at position, key string) {
	switch e := err.(type) {
	case nil:
	case *valueError:
		d.fault(at, key, e.what, e.remedy)
	default:
		d.fault(at, key, e.Error(), "")
	}
}

func (d *decoder) list(node ast.Node, v reflect.Value, tag reflect.StructTag, key string) {
	sequence, ok := node.(*ast.SequenceNode)
	if !ok {
		d.fault(place(node), key, "wants a list, but "+describe(node)+" stands here", "begin each entry with a dash")
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(sequence.Values), len(sequence.Values)))
	for i, entry := range sequence.Values {
		entryKey := fmt.Sprintf("%s[%d]", key, i)
		d.pos[entryKey] = place(entry)
		d.value(entry, v.Index(i), tag, entryKey)
	}
}

// structure reads a mapping into the struct v; a nil node only fills in defaults.
func (d *decoder) structure(node ast.Node, v reflect.Value, key string) {
	entries, ok := mappingEntries(node)
	if !ok {
		d.fault(place(node), key, "wants keys and values, but "+describe(node)+" stands here", "write key: value on lines of their own")
		return
	}
	fields := fieldsOf(v.Type())
	first := map[string]position{}
	for _, entry := range entries {
		name, at := keyText(entry.Key), place(entry.Key)
		entryKey := join(key, name)
		index, known := fields.index[name]
		switch earlier, twice := first[name]; {
		case !known:
			d.unknown(at, key, name, fields.names)
		case twice:
			d.fault(at, entryKey, fmt.Sprintf("is given twice, first on line %d", earlier.line), "remove one of them")
		default:
			first[name], d.pos[entryKey] = at, at
			d.value(entry.Value, v.Field(index), v.Type().Field(index).Tag, entryKey)
		}
	}
	for _, name := range fields.names {
		if _, given := first[name]; given {
			continue
		}
		field := v.Type().Field(fields.index[name])
		if field.Tag.Get("need") != "" {
			if !d.meant[join(key, name)] {
				d.fault(d.pos.of(key), join(key, name), "is missing", "add "+name+": "+sample(field))
			}
			continue
		}
		d.defaults(v.Field(fields.index[name]), field.Tag, join(key, name))
	}
}

// defaults fills in what the file leaves out.
func (d *decoder) defaults(v reflect.Value, tag reflect.StructTag, key string) {
	if _, own := ownText(v); v.Kind() == reflect.Struct && !own {
		d.structure(nil, v, key)
		return
	}
	text, ok := tag.Lookup("default")
	if !ok {
		return
	}
	if v.Kind() == reflect.Slice {
		for word := range strings.FieldsSeq(text) {
			element := reflect.New(v.Type().Elem()).Elem()
			d.report(set(element, word, formOf(element), tag), d.pos.of(key), key)
			v.Set(reflect.Append(v, element))
		}
		return
	}
	d.report(set(v, text, formOf(v), tag), d.pos.of(key), key)
}

// unknown reports that the mapping at parent has a key that the schema has not.
func (d *decoder) unknown(at position, parent, name string, names []string) {
	key := join(parent, name)
	if name == "<<" {
		d.fault(at, key, "merged mappings are not used here", "write the keys out")
		return
	}
	if word, close := nearest(name, names); close {
		d.meant[join(parent, word)] = true
		d.fault(at, key, "unknown key", fmt.Sprintf("did you mean %q?", word))
	} else {
		d.fault(at, key, "unknown key", fmt.Sprintf("remove it; the nearest key here is %q of %s", word, strings.Join(names, ", ")))
	}
}

// formOf is the form in which a value of v's type stands in a file.
func formOf(v reflect.Value) form {
	switch v.Kind() {
	case reflect.Bool:
		return formBool
	case reflect.Int:
		return formInteger
	default:
		return formText
	}
}

func join(key, name string) string {
	if key == "" {
		return name
	}
	return key + "." + name
}
