package config

import _ "embed"

//go:embed example.yaml
var example string

// Example is a commented configuration that Parse accepts.
func Example() []byte { return []byte(example) }
