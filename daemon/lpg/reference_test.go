package lpg

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// row is one line of a reference table, by column name.
type row struct {
	t    *testing.T
	cell map[string]string
}

// rows reads a reference table; want is its number of rows, so that a table cut short
// fails instead of passing with fewer checks.
func rows(t *testing.T, name string, want int) []row {
	t.Helper()
	file, err := os.Open("../../testdata/reference/" + name)
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
	table := make([]row, 0, want)
	for _, line := range lines[1:] {
		cell := make(map[string]string, len(line))
		for i, text := range line {
			cell[lines[0][i]] = text
		}
		table = append(table, row{t, cell})
	}
	return table
}

// num returns the number in a column, which must be there.
func (r row) num(column string) float64 {
	r.t.Helper()
	v, err := strconv.ParseFloat(r.cell[column], 64)
	if err != nil {
		r.t.Fatalf("column %s: %v", column, err)
	}
	return v
}

// A check compares values with a table and remembers the worst deviation.
type check struct {
	t        *testing.T
	what     string
	low      float64 // allowed deviation below, in the unit of the comparison
	high     float64 // and above
	relative bool    // deviations in percent of the wanted value
	n        int
	min, max float64
}

// pct allows deviations of tol percent either way; abs of tol in the value's own unit.
func pct(t *testing.T, what string, tol float64) *check {
	return span(t, what, -tol, tol, true)
}
func abs(t *testing.T, what string, tol float64) *check {
	return span(t, what, -tol, tol, false)
}

// span allows deviations between low and high and reports the worst when the test ends.
func span(t *testing.T, what string, low, high float64, relative bool) *check {
	c := &check{t: t, what: what, low: low, high: high, relative: relative}
	t.Cleanup(func() {
		if c.n == 0 {
			t.Errorf("%s: nothing was compared", what)
		}
		t.Logf("%s: %d values, deviation %.3g to %.3g, allowed %g to %g", what, c.n, c.min, c.max, low, high)
	})
	return c
}

// that compares one result; at says where in the table.
func (c *check) that(got float64, ok bool, want float64, at ...any) {
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

// blend makes a fuel that a table names, or fails.
func blend(t *testing.T, propaneMassFrac float64, butane Substance) Fuel {
	t.Helper()
	f, ok := BlendByMass(propaneMassFrac, butane)
	if !ok {
		t.Fatalf("no blend of %g propane by mass", propaneMassFrac)
	}
	return f
}

// must returns the value of a call that has to succeed for a test to go on.
func must(t *testing.T) func(v float64, ok bool) float64 {
	return func(v float64, ok bool) float64 {
		t.Helper()
		if !ok || math.IsNaN(v) {
			t.Fatalf("refused: %g %v", v, ok)
		}
		return v
	}
}
