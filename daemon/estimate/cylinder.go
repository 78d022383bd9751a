package estimate

import (
	"fmt"
	"math"
)

// What may come back onto the scale (estimation.md 2, "Swap"). Fills of a 20 lb class
// cylinder: the exchange cage's 15 lb and the full 20 lb; tares of the class scatter far
// more than their stamps.
const (
	classTareKg     = 7.7
	classTareSDKg   = 0.35
	classCapacityKg = 9.1
	classWithinKg   = 0.6 // a stamped capacity this near is of the class
	cageFillFrac    = 6.8 / classCapacityKg
	fullFillFrac    = 9.05 / classCapacityKg
	fillSDKg        = 0.13
	stampSDKg       = 0.040 // when Params does not say
	labelSDKg       = 0.13  // of a filler's label, as of a fill by class
	leastTareKg     = 0.5   // of any cylinder
	sameSDKg        = 0.020 // the same cylinder set down again: hose, strap and creep
	refillAwayS     = 900   // a refill is likelier after a quarter of an hour away
)

// Guesses of what was placed.
const (
	guessSame     = "same"
	guessSwapped  = "swapped"
	guessRefilled = "refilled"
)

// tare is what is believed of the empty cylinder's weight: a mixture, because an
// unannounced cylinder may be of several kinds. It does not change while the cylinder
// stands, so fuel is gross less tare however much is burned.
type tare struct {
	parts   [12]tarePart
	n       int
	meanKg  float64
	lowKg   float64 // 95 %
	highKg  float64
	entered bool
	learned bool // weighed when the cylinder was empty
	empty   emptyWeight
}

// emptyWeight is how the scale read the cylinder when it was empty. What the scale errs by
// then, it errs by ever since: only what has changed is in doubt. The zero value is of a tare
// that was not learned on this stand.
type emptyWeight struct {
	Kg     float64 `json:"kg"`
	CellC  float64 `json:"cell_c"`
	KgPerK float64 `json:"kg_per_k"` // by which it was corrected

	// The calibration it was read with; under another one it says nothing.
	CountsPerKg   float64 `json:"counts_per_kg"`
	ZeroCounts    float64 `json:"zero_counts"`
	CalibratedAtC float64 `json:"calibrated_at_c"`
}

// of reports whether the scale still is what it was when it read the empty cylinder.
func (e emptyWeight) of(s Scale) bool {
	return e.Kg > 0 && e.CountsPerKg == s.CountsPerKg && e.ZeroCounts == s.ZeroCounts && e.CalibratedAtC == s.CalibratedAtC
}

// tarePart is one normal part of the mixture.
type tarePart struct {
	PartFrac float64 `json:"part"`
	Kg       float64 `json:"kg"`
	SDKg     float64 `json:"sd_kg"`
}

// stampedTare is what a collar says.
func stampedTare(c Cylinder) tare {
	var t tare
	if c.TareKg > 0 {
		t.add(1, c.TareKg, stampSD(c))
		t.entered = true
	} else {
		kg, sd := classTare(c)
		t.add(1, kg, sd)
	}
	t.settle()
	return t
}

func stampSD(c Cylinder) float64 {
	if c.TareSDKg > 0 {
		return c.TareSDKg
	}
	return stampSDKg
}

// classTare is the tare of another cylinder of the same kind. Outside the 20 lb class the
// tare is taken in proportion of the capacity; its scatter is an engineering judgement.
func classTare(c Cylinder) (kg, sdKg float64) {
	if c.CapacityKg <= 0 || math.Abs(c.CapacityKg-classCapacityKg) < classWithinKg {
		return classTareKg, classTareSDKg
	}
	r := c.CapacityKg / classCapacityKg
	return classTareKg * r, 2 * classTareSDKg * r
}

func (t *tare) add(weight, kg, sdKg float64) {
	if t.n < len(t.parts) && weight > 0 {
		t.parts[t.n] = tarePart{weight, max(kg, 0), sdKg}
		t.n++
	}
}

// settle scales the weights to one, drops parts of no weight, and works out mean and
// interval.
func (t *tare) settle() {
	sum, most := 0.0, 0.0
	for _, p := range t.parts[:t.n] {
		most = max(most, p.PartFrac)
	}
	n := 0
	for _, p := range t.parts[:t.n] {
		if p.PartFrac >= most/1000 {
			t.parts[n] = p
			sum += p.PartFrac
			n++
		}
	}
	t.n, t.meanKg = n, 0
	for i := range t.parts[:t.n] {
		t.parts[i].PartFrac /= sum
		t.meanKg += t.parts[i].PartFrac * t.parts[i].Kg
	}
	t.lowKg, t.highKg = t.quantile(0.025), t.quantile(0.975)
	t.lowKg, t.highKg = min(t.lowKg, t.meanKg), max(t.highKg, t.meanKg)
}

func (t *tare) quantile(q float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range t.parts[:t.n] {
		low, high = min(low, p.Kg-5*p.SDKg), max(high, p.Kg+5*p.SDKg)
	}
	for range 40 {
		mid := (low + high) / 2
		sum := 0.0
		for _, p := range t.parts[:t.n] {
			sum += p.PartFrac * normalCDF((mid-p.Kg)/p.SDKg)
		}
		if sum < q {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// placing is what is known when a cylinder has come to rest on the scale.
type placing struct {
	grossKg, sdKg float64
	beforeKg      float64 // gross before it was taken away
	known         bool    // whether there was one before
	awayS         float64
	drove         bool
}

// place weighs what may have come back: the same cylinder, the same one refilled, one that
// has been here before, or another one. It returns the tare of that mixture and the likeliest
// guess; back is the cylinder of the register it surely is, nil if it is none.
func place(old tare, c Cylinder, p placing, r *register) (t tare, guess string, back *Known) {
	if !p.known {
		return old, guessSame, nil // the first cylinder ever is the one the owner described
	}
	capacity := c.CapacityKg
	if capacity <= 0 {
		capacity = classCapacityKg
	}
	same := 0.45 * normalPDF(p.grossKg-p.beforeKg, math.Hypot(sameSDKg, p.sdKg))

	priorRefill := 0.05
	if p.awayS >= refillAwayS {
		priorRefill = 0.2
	}
	if p.drove {
		priorRefill *= 2
	}
	refilled := priorRefill * t.refill(old, p, capacity, priorRefill)
	swapped := t.swap(c, p, capacity)
	again, best, bestWeight := r.add(&t, p)
	total := same + refilled + swapped + again
	if total < tiny { // nothing fits: any cylinder with anything in it
		kg, sd := classTare(c)
		t = tare{}
		t.add(1, min(kg, max(p.grossKg, 0)), 2*sd)
		t.settle()
		return t, guessSwapped, nil
	}
	switch {
	case same >= 0.95*total: // the mass agrees to tens of grams: nothing else fits as well
		return old, guessSame, nil
	case bestWeight >= knownSureFrac*total:
		k := r.list[best]
		return k.tare(), guessSwapped, &k
	}
	t.addAll(same, old)
	t.settle()
	switch {
	case same >= refilled && same >= swapped+again:
		return t, guessSame, nil
	case refilled > swapped+again:
		return t, guessRefilled, nil
	}
	return t, guessSwapped, nil
}

// tare is what is known of the empty weight of a cylinder that is back.
func (k Known) tare() tare {
	t := tare{entered: k.Entered, learned: k.Learned}
	t.add(1, k.TareKg, k.TareSDKg)
	t.settle()
	return t
}

// refill adds the same cylinder, full or part filled, and returns its likelihood.
func (t *tare) refill(old tare, p placing, capacityKg, prior float64) float64 {
	sum := 0.0
	spread := old.spreadKg()
	full := capacityKg * fullFillFrac
	lik := 0.7 * normalPDF(p.grossKg-old.meanKg-full, math.Sqrt(spread*spread+fillSDKg*fillSDKg+p.sdKg*p.sdKg))
	fill := p.grossKg - old.meanKg
	if p.grossKg > p.beforeKg && fill < 1.1*capacityKg {
		lik += 0.3 / max(1.1*capacityKg+old.meanKg-p.beforeKg, 0.1)
	}
	sum += lik
	t.add(prior*lik, old.meanKg, spread)
	return sum
}

// swap adds another cylinder of the class with each of the usual fills, or any fill, and
// returns its weight.
func (t *tare) swap(c Cylinder, p placing, capacityKg float64) float64 {
	const prior = 0.3
	kg, sd := classTare(c)
	sum := 0.0
	for _, f := range [...]struct{ prior, fillKg float64 }{
		{0.35, cageFillFrac * capacityKg}, {0.45, fullFillFrac * capacityKg},
	} {
		v, r := sd*sd, fillSDKg*fillSDKg+p.sdKg*p.sdKg
		off := p.grossKg - f.fillKg - kg
		w := prior * f.prior * normalPDF(off, math.Sqrt(v+r))
		t.add(w, kg+v/(v+r)*off, math.Sqrt(v*r/(v+r)))
		sum += w
	}
	// Any fill: the tare is that of the class, as far as the weight allows.
	in := normalCDF((p.grossKg-kg)/sd) - normalCDF((p.grossKg-capacityKg-kg)/sd)
	w := prior * 0.2 * in / capacityKg
	t.add(w, min(kg, max(p.grossKg, 0)), sd)
	return sum + w
}

// addAll adds another mixture, as one normal part where it has too many of its own.
func (t *tare) addAll(weight float64, o tare) {
	if t.n+o.n > len(t.parts) {
		t.add(weight, o.meanKg, o.spreadKg())
		return
	}
	for _, p := range o.parts[:o.n] {
		t.add(weight*p.PartFrac, p.Kg, p.SDKg)
	}
}

// spreadKg is a standard deviation with the width of the interval.
func (t *tare) spreadKg() float64 { return max((t.highKg-t.lowKg)/3.92, 0.001) }

func normalPDF(x, sd float64) float64 {
	z := x / sd
	return math.Exp(-0.5*z*z) / (sd * math.Sqrt(2*math.Pi))
}

// change is the tare after the operator has said what stands on the scale. grossKg is
// what the scale says now, 0 if nothing.
func (t tare) change(ch Change, c Cylinder, before tare, grossKg float64, r *register) tare {
	if ch.Same && ch.TareKg <= 0 {
		return before
	}
	var n tare
	switch k, known := r.named(ch.Name); {
	case known && ch.TareKg <= 0:
		return k.tare()
	case ch.TareKg > 0:
		n.add(1, ch.TareKg, stampSD(c))
		n.entered = true
	case ch.FillKg > 0 && grossKg > ch.FillKg:
		n.add(1, grossKg-ch.FillKg, labelSDKg)
	case t.entered: // said to be another one, and its tare not yet read
		kg, sd := classTare(c)
		n.add(1, kg, sd)
	default:
		return t
	}
	n.settle()
	return n
}

// check refuses what no cylinder can be.
func (ch Change) check(cellKg float64) error {
	for _, f := range [...]struct {
		name string
		kg   float64
	}{{"tare", ch.TareKg}, {"capacity", ch.CapacityKg}, {"fill", ch.FillKg}} {
		if math.IsNaN(f.kg) || f.kg < 0 || cellKg > 0 && f.kg > cellKg {
			return fmt.Errorf("cylinder changed: %s of %g kg: give kilograms from 0 to the %g kg of the scale", f.name, f.kg, cellKg)
		}
	}
	if ch.TareKg > 0 && ch.TareKg < leastTareKg {
		return fmt.Errorf("cylinder changed: tare of %g kg: no cylinder is that light, give the stamped tare in kilograms", ch.TareKg)
	}
	return nil
}
