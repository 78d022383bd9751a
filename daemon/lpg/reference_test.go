package lpg

import (
	"testing"
)

// blend makes a fuel that a table names, or fails.
func blend(t *testing.T, propaneMassFrac float64, butane Substance) Fuel {
	t.Helper()
	f, ok := BlendByMass(propaneMassFrac, butane)
	if !ok {
		t.Fatalf("no blend of %g propane by mass", propaneMassFrac)
	}
	return f
}
