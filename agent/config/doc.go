// Package config reads the configuration file: YAML in which every quantity
// carries its unit and no key is guessed at.
//
// The file is parsed into a syntax tree, and the tree is walked along the schema,
// which is the struct tags of Config and its parts. So every fault is found in one
// go, whether an unknown key, a wrong type, a bare number or two values that
// contradict each other, and each has its line, its column and its remedy. What
// only a driver can judge comes in as a Check and is placed the same way.
//
// Anchors, aliases, tags and merged mappings are refused: a configuration is
// short, and what stands in it should be seen where it stands.
//
// Limits: where the text is no YAML at all only the first fault is told. Files
// that the configuration names are not looked for here, so that it can be checked
// on another machine than the board.
//
// Sources: YAML 1.2.2 by goccy/go-yaml v1.19.2; unit prefixes from the SI
// Brochure, 9th edition, table 7, and IEC 80000-13.
package config
