package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// maxSize bounds the file, and with it the parser's work.
const maxSize = 64 << 10

// Check finds further faults in what was read, for instance by asking a driver.
// It also runs where faults were found already: what it reports under a key
// that has one is taken for its consequence and dropped.
type Check func(c *Config, report func(key, what, remedy string))

// Load reads and checks the file at path. Its error is a *Faults where the file
// could be read.
func Load(path string, checks ...Check) (*Config, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("configuration: %w", err)
	}
	data, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("configuration: %w", err)
	}
	return Parse(data, path, checks...)
}

// Parse reads and checks data; name stands for the file in faults. Its error is
// a *Faults that holds every fault, not the first alone.
func Parse(data []byte, name string, checks ...Check) (*Config, error) {
	c := &Config{}
	d := &decoder{file: name, faults: &Faults{}, pos: positions{}, meant: map[string]bool{}}
	root, ok := d.tree(data)
	if ok {
		d.structure(root, reflect.ValueOf(c).Elem(), "")
		c.complete()
		report := func(key, what, remedy string) {
			if !d.faults.touches(key) && !d.meant[key] {
				d.fault(d.pos.of(key), key, what, remedy)
			}
		}
		for _, check := range append([]Check{validate}, checks...) {
			check(c, report)
		}
	}
	if len(d.faults.List) > 0 {
		d.faults.sort()
		return nil, d.faults
	}
	return c, nil
}

// tree parses data into the one mapping that a configuration is.
func (d *decoder) tree(data []byte) (root ast.Node, ok bool) {
	start := position{1, 1}
	if len(data) > maxSize {
		d.fault(start, "", fmt.Sprintf("is larger than %d kB", maxSize>>10), "a configuration is some hundred lines; is this the right file?")
		return nil, false
	}
	if !utf8.Valid(data) || bytes.ContainsRune(data, 0) {
		d.fault(start, "", "is not UTF-8 text", "save it as UTF-8")
		return nil, false
	}
	file, err := parse(data)
	if err != nil {
		at, what := start, err.Error()
		var syntax yaml.Error
		if errors.As(err, &syntax) {
			what = syntax.GetMessage()
			if tk := syntax.GetToken(); tk != nil && tk.Position != nil {
				at = position{max(tk.Position.Line, 1), max(tk.Position.Column, 1)}
			}
		}
		d.fault(at, "", "is not YAML: "+what, "check indentation, colons and quotes here and on the line above")
		return nil, false
	}
	var bodies []ast.Node
	for _, doc := range file.Docs {
		switch doc.Body.(type) {
		case nil, *ast.CommentGroupNode, *ast.NullNode:
		default:
			bodies = append(bodies, doc.Body)
		}
	}
	switch {
	case len(bodies) > 1:
		d.fault(place(bodies[1]), "", "holds more than one document", "remove the line --- and what follows it")
		return nil, false
	case len(bodies) == 0:
		return nil, true // every compulsory key will be missed by name
	}
	if _, isMapping := mappingEntries(bodies[0]); !isMapping {
		d.fault(place(bodies[0]), "", "is not a list of keys and values", "write key: value on lines of their own")
		return nil, false
	}
	return bodies[0], true
}

// maxNesting is far more than the schema needs. The parser takes seconds and
// much memory over thousands of levels.
const maxNesting = 32

// parse guards against the parser itself: outside data must never end the agent.
func parse(data []byte) (file *ast.File, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the text confuses the YAML parser (%v)", p)
		}
	}()
	tokens := lexer.Tokenize(string(data))
	depth, dashes, line := 0, 0, 0
	for _, tk := range tokens {
		if tk.Position.Line != line {
			dashes, line = 0, tk.Position.Line
		}
		switch tk.Type {
		case token.SequenceStartType, token.MappingStartType:
			depth++
		case token.SequenceEndType, token.MappingEndType:
			depth--
		case token.SequenceEntryType, token.MappingKeyType:
			dashes++
		}
		if depth > maxNesting || dashes > maxNesting {
			return nil, fmt.Errorf("line %d is nested more than %d deep", line, maxNesting)
		}
	}
	return parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
}
