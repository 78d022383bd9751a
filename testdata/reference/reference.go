// Package reference reads the published tables beside it for the tests that hold formulas
// against them, and keeps account of how far off they were.
package reference

import (
	"embed"
	"encoding/csv"
	"math"
	"strconv"
	"testing"
)

//go:embed *.csv
var tables embed.FS

// Row is one line of a reference table, by column name.
type Row struct {
	T    *testing.T
	Cell map[string]string
}

// Rows reads a reference table; want is its number of rows, so that a table cut short
// fails instead of passing with fewer checks.
func Rows(t *testing.T, name string, want int) []Row {
	t.Helper()
	file, err := tables.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	lines, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != want+1 {
		t.Fatalf("%s has %d rows, want %d", name, len(lines)-1, want)
	}
	table := make([]Row, 0, want)
	for _, line := range lines[1:] {
		cell := make(map[string]string, len(line))
		for i, text := range line {
			cell[lines[0][i]] = text
		}
		table = append(table, Row{t, cell})
	}
	return table
}

// Num returns the number in a column, which must be there.
func (r Row) Num(column string) float64 {
	r.T.Helper()
	v, err := strconv.ParseFloat(r.Cell[column], 64)
	if err != nil {
		r.T.Fatalf("column %s: %v", column, err)
	}
	return v
}

// A Check compares values with a table and remembers the worst deviation.
type Check struct {
	t        *testing.T
	what     string
	low      float64 // allowed deviation below, in the unit of the comparison
	high     float64 // and above
	relative bool    // deviations in percent of the wanted value
	n        int
	min, max float64
}

// Pct allows deviations of tol percent either way.
func Pct(t *testing.T, what string, tol float64) *Check {
	return Span(t, what, -tol, tol, true)
}

// Abs allows deviations of tol in the value's own unit either way.
func Abs(t *testing.T, what string, tol float64) *Check {
	return Span(t, what, -tol, tol, false)
}

// Span allows deviations between low and high and reports the worst when the test ends.
func Span(t *testing.T, what string, low, high float64, relative bool) *Check {
	c := &Check{t: t, what: what, low: low, high: high, relative: relative}
	t.Cleanup(func() {
		if c.n == 0 {
			t.Errorf("%s: nothing was compared", what)
		}
		t.Logf("%s: %d values, deviation %.3g to %.3g, allowed %g to %g", what, c.n, c.min, c.max, low, high)
	})
	return c
}

// That compares one result; at says where in the table.
func (c *Check) That(got float64, ok bool, want float64, at ...any) {
	c.t.Helper()
	if !ok {
		c.t.Errorf("%s at %v: refused, want %g", c.what, at, want)
		return
	}
	off := got - want
	if c.relative {
		off *= 100 / want
	}
	if c.n++; c.n == 1 {
		c.min, c.max = off, off
	}
	c.min, c.max = min(c.min, off), max(c.max, off)
	if !(off >= c.low && off <= c.high) {
		c.t.Errorf("%s at %v: got %g, want %g, off by %.4g, allowed %g to %g", c.what, at, got, want, off, c.low, c.high)
	}
}

// Must returns the value of a call that has to succeed for a test to go on.
func Must(t *testing.T) func(v float64, ok bool) float64 {
	return func(v float64, ok bool) float64 {
		t.Helper()
		if !ok || math.IsNaN(v) {
			t.Fatalf("refused: %g %v", v, ok)
		}
		return v
	}
}
