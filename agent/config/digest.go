package config

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
)

// Digest is a fingerprint of what each key at the top of the file stands for, with
// the defaults filled in, so that words and order of the file make no difference.
// The file holds no secrets.
type Digest map[string]string

// Digest fingerprints a configuration.
func (c *Config) Digest() (Digest, error) {
	d := Digest{}
	v := reflect.ValueOf(c).Elem()
	for i := range v.NumField() {
		text, err := json.Marshal(v.Field(i).Interface())
		if err != nil {
			return nil, fmt.Errorf("fingerprint of %s: %w", v.Type().Field(i).Tag.Get("key"), err)
		}
		sum := sha256.Sum256(text)
		d[v.Type().Field(i).Tag.Get("key")] = hex.EncodeToString(sum[:8])
	}
	return d, nil
}

// String is the fingerprint of the whole.
func (d Digest) String() string {
	h := sha256.New()
	for _, key := range slices.Sorted(maps.Keys(d)) {
		fmt.Fprintf(h, "%s %s\n", key, d[key])
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// Since says in one line what changed since an earlier one; "" is nothing. Keys that
// this version of the program does not know, or the earlier one did not, count as
// changed.
func (d Digest) Since(before Digest) string {
	var changed []string
	for _, key := range slices.Sorted(maps.Keys(d)) {
		if before[key] != d[key] {
			changed = append(changed, key)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(before)) {
		if _, here := d[key]; !here {
			changed = append(changed, key)
		}
	}
	switch {
	case len(changed) == 0:
		return ""
	case len(before) == 0:
		return "first configuration, " + d.String()
	}
	return fmt.Sprintf("configuration changed from %s to %s: %s", before, d, strings.Join(changed, ", "))
}
