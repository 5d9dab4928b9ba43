package sheet

import (
	"slices"
	"strings"
)

// Nearest gives the known word most like word, or "" when none is near.
func Nearest(word string, known []string) string {
	best, at := "", len(word)/2+1
	for _, k := range known {
		if d := distance(strings.ToLower(word), strings.ToLower(k)); d < at {
			best, at = k, d
		}
	}
	return best
}

func nearestWords(word string, known []string) string {
	if near := Nearest(word, known); near != "" {
		return near
	}
	sorted := slices.Clone(known)
	slices.Sort(sorted)
	return "one of " + strings.Join(sorted, ", ")
}

// distance counts the letters to insert, drop, change or swap with their neighbour (Damerau 1964, restricted form).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 64 || len(y) > 64 {
		return 64
	}
	var rows [3][]int
	for i := range rows {
		rows[i] = make([]int, len(y)+1)
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(x); i++ {
		before, last, row := rows[(i+1)%3], rows[(i-1)%3], rows[i%3] // of i-2, i-1 and i
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
	}
	return rows[len(x)%3][len(y)]
}
