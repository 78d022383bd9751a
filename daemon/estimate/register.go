package estimate

import (
	"cmp"
	"math"
	"slices"
)

// Sizes of the register and what makes a cylinder worth remembering: engineering judgement.
const (
	knownMostN    = 6
	knownSpreadKg = 0.15   // of the tare; a cylinder known less well cannot be recognised
	knownPrior    = 0.25   // that what is put down has been here before
	knownSureFrac = 0.9    // belief from which a cylinder that comes back is called by its name
	backSDKg      = 0.025  // as it was put away: hose, strap, creep and another temperature
	unusedFrac    = 0.0055 // of the fill by the stamp, vapour left in a cylinder that gives no more: 0.05 kg of 9.1 (estimation.md 2)
	emptySDKg     = 0.015  // of a tare learned at a true empty
	emptyCalmS    = 600.0  // starved for so long with the weight at rest
	emptySureFrac = 0.75   // of the causes, that the cylinder is empty
)

// Known is a cylinder that has stood on the scale.
type Known struct {
	Name        string  `json:"name,omitempty"` // as its owner calls it
	TareKg      float64 `json:"tare_kg"`
	TareSDKg    float64 `json:"tare_sd_kg"`
	CapacityKg  float64 `json:"capacity_kg,omitempty"`
	RequalifyBy string  `json:"requalify_by,omitempty"` // YYYY-MM on its collar
	GrossKg     float64 `json:"gross_kg"`               // as it was taken away
	Entered     bool    `json:"entered"`                // its tare was read from the collar
	Learned     bool    `json:"learned"`                // or weighed when it was empty
	Blend       Blend   `json:"blend,omitempty"`        // said to be in it
}

// register remembers cylinders so that one that comes back is recognised by its weight.
type register struct {
	list []Known // the newest last
	told []Known // the same by name; made anew with each change and never changed itself
	on   Known   // what its owner calls the one on the scale
	was  Known   // the one before it, as it was taken away
}

// left notes the cylinder that was taken away.
func (r *register) left(t *tare, c Cylinder, grossKg float64) {
	r.was = r.on
	r.was.TareKg, r.was.TareSDKg, r.was.CapacityKg = t.meanKg, t.spreadKg(), c.CapacityKg
	r.was.GrossKg, r.was.Entered, r.was.Learned = grossKg, t.entered, t.learned
}

// away takes the cylinder that was taken away into the register, if its tare is known well
// enough to recognise it.
func (r *register) away() {
	k := r.was
	r.on = Known{}
	if k.TareSDKg > knownSpreadKg || !k.plausible() {
		return
	}
	r.drop(k)
	r.list = append(r.list, k)
	if len(r.list) > knownMostN {
		r.list = slices.Delete(r.list, 0, 1)
	}
	r.tell()
}

// stays takes back that another cylinder was put down.
func (r *register) stays() {
	if r.was.plausible() {
		r.drop(r.was)
		r.tell()
		r.on = Known{Name: r.was.Name, RequalifyBy: r.was.RequalifyBy, Blend: r.was.Blend}
	}
}

// drop forgets what k replaces: the one of the same name, or of the same tare if either has
// no name.
func (r *register) drop(k Known) {
	r.list = slices.DeleteFunc(r.list, func(o Known) bool {
		if o.Name != "" && k.Name != "" {
			return o.Name == k.Name
		}
		return math.Abs(o.TareKg-k.TareKg) < math.Hypot(o.TareSDKg, k.TareSDKg)
	})
}

// likelihoods weighs each known cylinder against what has been put down: as it was put
// away, filled, or with anything in it.
func (r *register) likelihoods(p placing) []float64 {
	out := make([]float64, len(r.list))
	for i, k := range r.list {
		full := k.CapacityKg
		if full <= 0 {
			full = classCapacityKg
		}
		lik := 0.5 * normalPDF(p.grossKg-k.GrossKg, math.Hypot(backSDKg, p.sdKg))
		lik += 0.35 * normalPDF(p.grossKg-k.TareKg-fullFillFrac*full, math.Sqrt(k.TareSDKg*k.TareSDKg+fillSDKg*fillSDKg+p.sdKg*p.sdKg))
		if fill := p.grossKg - k.TareKg; fill > 0 && fill < 1.1*full {
			lik += 0.15 / (1.1 * full)
		}
		out[i] = lik
	}
	return out
}

// add gives each known cylinder its part of the mixture, and returns their weight together
// and the likeliest of them with its own.
func (r *register) add(t *tare, p placing) (sum float64, best int, bestWeight float64) {
	best = -1
	for i, lik := range r.likelihoods(p) {
		weight := knownPrior / float64(len(r.list)) * lik
		k := r.list[i]
		t.add(weight, k.TareKg, k.TareSDKg)
		sum += weight
		if weight > bestWeight {
			best, bestWeight = i, weight
		}
	}
	return sum, best, bestWeight
}

// named finds a cylinder by the name its owner gave it.
func (r *register) named(name string) (Known, bool) {
	i := slices.IndexFunc(r.list, func(k Known) bool { return k.Name == name })
	if name == "" || i < 0 {
		return Known{}, false
	}
	return r.list[i], true
}

// said notes what the owner calls the cylinder on the scale.
func (r *register) said(ch Change) {
	if ch.Same {
		return
	}
	r.on = Known{Name: ch.Name, RequalifyBy: ch.RequalifyBy, Blend: ch.Blend}
	if k, ok := r.named(ch.Name); ok {
		r.on.RequalifyBy, r.on.Blend = cmp.Or(ch.RequalifyBy, k.RequalifyBy), cmp.Or(ch.Blend, k.Blend)
	}
}

// tell makes the list for those who show it.
func (r *register) tell() {
	r.told = slices.Clone(r.list)
	slices.SortStableFunc(r.told, func(a, b Known) int { return cmp.Compare(a.Name, b.Name) })
}

// plausible refuses what no cylinder can be.
func (k Known) plausible() bool {
	for _, kg := range [...]float64{k.TareKg, k.TareSDKg, k.CapacityKg, k.GrossKg} {
		if !(kg >= 0 && kg < 500) {
			return false
		}
	}
	return k.TareKg >= leastTareKg && k.TareSDKg > 0 && len(k.Name) <= MostNameBytes
}

// MostNameBytes bounds what an owner may call a cylinder.
const MostNameBytes = 40

// emptied learns the tare where a cylinder has burned itself empty: the flame has stopped
// although heat is called for, the weight rests, and an empty cylinder is by far the
// likeliest cause. What is left then is vapour.
func (w *weighing) emptied(upS float64, out *Estimates) {
	if out.Starved != Yes || w.phase != tracking || w.presence != Present || len(out.Causes) == 0 ||
		out.Causes[0].ID != CauseEmpty || out.Causes[0].PartFrac < emptySureFrac || w.burn.rate.Value > leastFlowKgH {
		w.emptyS = upS
		return
	}
	if upS-w.emptyS < emptyCalmS || w.tare.learned {
		return
	}
	less, _, warm := w.correct(upS)
	full := w.p.Cylinder.CapacityKg
	if full <= 0 {
		full = classCapacityKg
	}
	kg := w.levelKg - w.offKg - less - unusedFrac*full
	if math.Abs(kg-w.tare.meanKg) > 2*w.tare.spreadKg()+2*emptySDKg {
		return // then it is not this tare that was wrong
	}
	t := tare{entered: w.tare.entered, learned: true}
	if warm {
		tc, _ := w.watch.drift.kgPerK(w.p.Scale.tcLimitKgPerK(w.levelKg))
		s := w.p.Scale
		t.empty = emptyWeight{w.levelKg, w.cell.tempC, tc, s.CountsPerKg, s.ZeroCounts, s.CalibratedAtC}
	}
	t.add(1, kg, math.Sqrt(math.Pow(max(emptySDKg, unusedFrac*full/3), 2)+w.levelSD*w.levelSD+w.offVar))
	t.settle()
	w.tare = t
}
