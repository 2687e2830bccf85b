package config

// distance is the number of insertions, deletions, replacements and swaps of
// neighbours that turn a into b (optimal string alignment).
func distance(a, b string) int {
	before, last, row := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(b)]
}

// nearest is the word closest to given, and whether it is close enough to be
// what was meant: at most a third of its letters differ.
func nearest(given string, words []string) (word string, close bool) {
	best := -1
	for _, w := range words {
		if d := distance(given, w); best < 0 || d < best {
			best, word = d, w
		}
	}
	return word, best >= 0 && best <= max(1, len(word)/3)
}
