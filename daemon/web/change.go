package web

import (
	"math"
	"net/http"
	"net/url"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

// changeView is the cylinder on the scale as words, and what to say of a change.
type changeView struct {
	On      []string // what stands there
	Words   []string // what should be known of it
	Net     []string // of the numbers that were typed, before anything is noted
	NoTare  string   // reminder: the tare waits; empty if it does not
	UndoFor string   // how long the last word can be taken back; empty if it cannot
	Typed   url.Values
	Blend   string
}

// underFrac is how full by its stamp a cylinder must be to pass for full: a filler that stops
// at the gauge leaves less than a tenth (engineering judgement).
const underFrac = 0.9

func (s *Server) changeView(snap *core.Snapshot, l look) *changeView {
	e := snap.Est
	v := &changeView{Typed: url.Values{}}
	if e.UndoForS > 0 {
		v.UndoFor = show.Duration(time.Duration(e.UndoForS) * time.Second)
	}
	if e.Cylinder == estimate.Removed {
		v.On = []string{"No cylinder is on the scale."}
		return v
	}
	if e.CylinderName != "" {
		v.On = append(v.On, "Called "+e.CylinderName+".")
	}
	if e.FuelKg.Known() {
		net := "Net " + l.choice().Interval(e.FuelKg.Low, e.FuelKg.High, show.Kg)
		if e.CapacityKg.Known() {
			net += " of " + l.choice().Number(e.CapacityKg.Value, show.Kg) + " by the stamp"
		}
		v.On = append(v.On, net+".")
	} else {
		v.On = append(v.On, l.choice().Text("Net not known: "+e.FuelKg.Why+"."))
	}
	v.On = append(v.On, blendSays(e.Blend))
	if !e.TareEntered && !e.TareLearned && e.FuelKg.Known() {
		v.NoTare = l.choice().Interval(e.FuelKg.Low, e.FuelKg.High, show.Kg) + ", tare not entered."
	}
	fresh := e.LastWord != nil && !e.LastWord.Same && (e.TareEntered || e.TareLearned)
	v.Words = contents(e.FuelKg, e.CapacityKg, fresh, l)
	if e.RequalifyBy != "" {
		v.Words = append(v.Words, stamped(e.RequalifyBy))
	}
	return v
}

func blendSays(b estimate.Blend) string {
	switch b {
	case estimate.PropaneBlend:
		return "Propane in it."
	case estimate.MixBlend:
		return "A mix in it: pressure is less and less sure."
	case estimate.UnknownBlend:
		return "Nobody knows the blend: its pressure is a wide range, and ice at the regulator is not assessed."
	}
	return "Blend as configured."
}

// stamped is said of a month on a collar.
func stamped(month string) string { return "Stamped " + month + "; the filler decides." }

// contents says what a net weight means beside the stamped fill. Less than full is said of a
// fresh cylinder only, whose tare is known.
func contents(net, capacity estimate.Quantity, fresh bool, l look) []string {
	if !net.Known() || !capacity.Known() {
		return nil
	}
	full := l.choice().Number(capacity.Value, show.Kg)
	switch {
	case net.Low > capacity.Value:
		return []string{"Overfilled: more than the " + full + " of its stamp. Do not use it and do not bring it inside. " +
			"Keep it upright, outdoors and away from flames; let the filler or a qualified person take the excess out."}
	case net.High < underFrac*capacity.Value && fresh:
		return []string{"Not full: the stamp allows " + full + ". Exchange cylinders are often filled to less."}
	}
	return nil
}

// typed says the net weight of what stands on the scale with the tare a person is typing.
func typed(e *estimate.Estimates, cmd core.Command, l look) []string {
	ch := cmd.Changed
	if ch == nil || ch.TareKg <= 0 {
		return []string{"Type the stamped tare to see the net weight."}
	}
	g := e.GrossKg
	if !g.Known() {
		return []string{"Net not known: " + g.Why + "."}
	}
	half := math.Hypot((g.High-g.Low)/2, 1.96*e.StampSDKg)
	net := estimate.Quantity{Value: g.Value - ch.TareKg, Low: g.Value - ch.TareKg - half, High: g.Value - ch.TareKg + half, Quality: g.Quality}
	if net.High < 0 {
		return []string{"That tare is more than the " + l.choice().Interval(g.Low, g.High, show.Kg) + " on the scale: read the collar again."}
	}
	net.Low = max(net.Low, 0)
	capacity := e.CapacityKg
	if ch.CapacityKg > 0 {
		capacity = estimate.Quantity{Value: ch.CapacityKg, Low: ch.CapacityKg, High: ch.CapacityKg, Quality: g.Quality}
	}
	out := []string{"Net weighed: " + l.choice().Interval(net.Low, net.High, show.Kg) + "."}
	out = append(out, contents(net, capacity, true, l)...)
	if ch.RequalifyBy != "" {
		out = append(out, stamped(ch.RequalifyBy))
	}
	return out
}

// sendRefusal says why a form was not taken, on the page it came from, with what was typed.
func (s *Server) sendRefusal(w http.ResponseWriter, r *http.Request, status int, said notice) {
	f := s.latest.Load()
	if r.PostForm.Get("do") != "another" || !f.whole() || sentOut(f.snap) {
		s.sendPage(w, r, status, said)
		return
	}
	d := s.doingData(r, f, said)
	d.Change.Typed, d.Change.Blend = r.PostForm, r.PostForm.Get("blend")
	s.send(w, r, status, "change", d)
}

// postPreview answers with that page and the net weight of what was typed; it notes nothing.
func (s *Server) postPreview(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	s.getDoing("change", func(d *pageData, f *frame, r *http.Request) {
		if d.Change == nil {
			return
		}
		d.Change.Typed, d.Change.Blend = r.PostForm, r.PostForm.Get("blend")
		cmd, err := formChange(r.PostForm.Get)
		if err == nil {
			err = cmd.Check()
		}
		if err != nil {
			d.Change.Net = []string{sentence(err)}
			return
		}
		d.Change.Net = typed(f.snap.Est, cmd, d.Look)
	})(w, r)
}
