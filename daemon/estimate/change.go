package estimate

import (
	"errors"
	"fmt"
	"math"
)

// Blend is what a person says is in a cylinder.
type Blend string

// The blends that are told apart. Said of none, a cylinder holds what is configured.
const (
	PropaneBlend Blend = "propane"
	MixBlend     Blend = "mix"
	UnknownBlend Blend = "unknown" // they do not know: pressure is a wide range
)

// PropaneMassFrac is the propane in the liquid of a full cylinder by mass, 0 for unknown; ok
// is false if b is no blend. What is sold as a mix has no one composition: 0.6 is an
// engineering judgement, and the interval takes in half as much propane or butane.
func (b Blend) PropaneMassFrac() (frac float64, ok bool) {
	switch b {
	case PropaneBlend:
		return 1, true
	case MixBlend:
		return 0.6, true
	case UnknownBlend:
		return 0, true
	}
	return 0, false
}

// Collar is what a person reads on the cylinder that stands on the scale. Zero fields are
// not said.
type Collar struct {
	TareKg      float64 `json:"tare_kg,omitempty"`      // stamped tare
	CapacityKg  float64 `json:"capacity_kg,omitempty"`  // fill by the stamp
	RequalifyBy string  `json:"requalify_by,omitempty"` // YYYY-MM
}

// undoS is how long a word about a change can be taken back.
const undoS = 3600

// undoable is what was believed of the cylinders before a person spoke of a change.
type undoable struct {
	AgeS       float64      `json:"age_s"` // in a State; else atS holds
	Word       Change       `json:"word"`  // what was said
	Tare       tareState    `json:"tare"`
	Prior      tareState    `json:"prior_tare"`
	CapacityKg float64      `json:"capacity_kg"`
	Said       *Change      `json:"said,omitempty"`
	Known      []Known      `json:"known,omitempty"`
	On         Known        `json:"on"`
	Was        Known        `json:"was"`
	Vessel     *vesselState `json:"vessel,omitempty"` // as it was cooling; nil if that belongs to no cylinder here
	atS        float64
}

// Change takes what the operator says of the cylinder: that the same one came back, or
// the tare, capacity, fill and blend of another. With a cylinder on the scale it speaks of
// that one, otherwise of the next. The error says what no cylinder can be.
func (e *Estimator) Change(c Change) error {
	w := e.weigh
	if err := c.check(w.p.Scale.CapacityKg); err != nil {
		return err
	}
	w.undo = w.remember(e.upS, c)
	if w.presence == Removed {
		w.ch, w.said = c, true
		return nil
	}
	cooling := e.vessel.save()
	w.undo.Vessel = &cooling
	gross := 0.0
	if w.have {
		gross = w.correctedKg(w.levelKg-w.offKg, w.cellC)
	}
	w.apply(c, gross)
	if !c.Same {
		e.vessel.another()
	}
	return nil
}

// ReadCollar takes what is stamped on the cylinder on the scale, whichever it is: a tare
// that had to wait until morning. Nothing else of it is forgotten. Before a cylinder that
// was said to come is put down, it belongs to that one.
func (e *Estimator) ReadCollar(c Collar) error {
	w := e.weigh
	if err := (Change{TareKg: c.TareKg, CapacityKg: c.CapacityKg}).check(w.p.Scale.CapacityKg); err != nil {
		return err
	}
	if w.presence == Removed {
		if !w.said {
			return errors.New("collar: no cylinder is on the scale; enter it when one is")
		}
		w.ch.TareKg, w.ch.CapacityKg = orElse(c.TareKg, w.ch.TareKg), orElse(c.CapacityKg, w.ch.CapacityKg)
		if c.RequalifyBy != "" {
			w.ch.RequalifyBy = c.RequalifyBy
		}
		return nil
	}
	if c.CapacityKg > 0 {
		w.p.Cylinder.CapacityKg = c.CapacityKg
	}
	if c.TareKg > 0 {
		t := tare{entered: true}
		t.add(1, c.TareKg, stampSD(w.p.Cylinder))
		t.settle()
		w.tare = t
	}
	if c.RequalifyBy != "" {
		w.known.on.RequalifyBy = c.RequalifyBy
	}
	return nil
}

func orElse(kg, otherKg float64) float64 {
	if kg > 0 {
		return kg
	}
	return otherKg
}

// UndoChange takes back the last word of a person about a change, within an hour and as
// long as no cylinder was lifted or put down since. Tare, capacity, name, blend and the
// register are again what the scale alone had made of it; what was weighed and burned
// meanwhile stays, since no tare changes that. The error says why there is nothing to undo.
func (e *Estimator) UndoChange() error {
	w := e.weigh
	u := w.undo
	if u == nil || w.undoForS(e.upS) <= 0 {
		return fmt.Errorf("undo: no change of the last %d minutes can be taken back; say again what is on the scale", undoS/60)
	}
	w.undo = nil
	w.tare.restore(u.Tare)
	w.prior.restore(u.Prior)
	w.p.Cylinder.CapacityKg = u.CapacityKg
	w.ch, w.said = Change{}, u.Said != nil
	if w.said {
		w.ch = *u.Said
	}
	w.known.restore(u.Known, u.On, u.Was)
	e.vessel.holds(u.On.Blend)
	if u.Vessel != nil {
		e.vessel.restore(*u.Vessel, e.upS-u.atS, u.CapacityKg, e.upS)
	}
	return nil
}

// remember is what an undo goes back to.
func (w *weighing) remember(upS float64, word Change) *undoable {
	u := &undoable{atS: upS, Word: word, Tare: w.tare.save(), Prior: w.prior.save(), CapacityKg: w.p.Cylinder.CapacityKg,
		Known: append([]Known(nil), w.known.list...), On: w.known.on, Was: w.known.was}
	if w.said {
		said := w.ch
		u.Said = &said
	}
	return u
}

// undoForS is for how long the last word can still be taken back.
func (w *weighing) undoForS(upS float64) float64 {
	if w.undo == nil {
		return 0
	}
	return max(0, w.undo.atS+undoS-upS)
}

// saved is the memory as a State holds it.
func (u *undoable) saved(nowS float64) *undoable {
	if u == nil || nowS-u.atS >= undoS {
		return nil
	}
	c := *u
	c.AgeS = nowS - u.atS
	return &c
}

// undoFrom is saved's inverse; what no cylinder can be, or is too old, cannot be gone back to.
func undoFrom(u *undoable, thenS, gapS, cellKg float64) *undoable {
	if u == nil || gapS < 0 || !(u.AgeS >= 0) || u.AgeS+gapS >= undoS || !u.Tare.plausible() || !u.Prior.plausible() ||
		!(u.CapacityKg >= 0) || math.IsInf(u.CapacityKg, 0) || cellKg > 0 && u.CapacityKg > cellKg {
		return nil
	}
	c := *u
	c.atS, c.AgeS = thenS-u.AgeS, 0
	return &c
}
