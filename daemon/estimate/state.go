package estimate

import (
	"cmp"
	"math"
	"slices"
	"time"

	"frostline/daemon/lpg"
	"frostline/daemon/supply"
	"frostline/sensors"
)

// stateVersion is of the layout of State. A State of another version is not read.
const stateVersion = 1

// State is everything an Estimator must remember over a restart. It is written as JSON in
// a checkpoint; times in it are seconds before the save, because Up starts anew.
type State struct {
	Version   int              `json:"version"`
	Condition conditionerState `json:"condition"`
	Clock     clockState       `json:"clock"`
	Gas       gasState         `json:"gas"`
	Scale     scaleState       `json:"scale"`
	Vessel    vesselState      `json:"vessel"`
	Causes    causesState      `json:"causes"`

	Calibration calibrationState `json:"calibration"`
}

// causesState is what the ranking of causes rests on. An age of -1 is never.
type causesState struct {
	LitAgeS    float64     `json:"lit_age_s"`
	PassedAgeS float64     `json:"passed_age_s"`
	GasAgeS    float64     `json:"gas_age_s"`
	RiskAgeS   float64     `json:"risk_age_s"`
	SinceAgeS  float64     `json:"since_age_s"`
	Risk       supply.Risk `json:"risk,omitempty"`
	PeakKgPerH float64     `json:"peak_kg_h"`
	Lit        bool        `json:"lit"`
	Failed     bool        `json:"failed"`
	Call       Tristate    `json:"call"`
}

// vesselState is the cold of the cylinder and what has been learned of its film.
type vesselState struct {
	Begun       bool    `json:"begun"`
	TempC       float64 `json:"temp_c"`
	VarK2       float64 `json:"var_k2"`
	CovK        float64 `json:"cov_k"`
	FreshK2     float64 `json:"fresh_k2"` // part of VarK2 because nobody saw the cylinder before
	FilmLn      float64 `json:"film_ln"`
	FilmVar     float64 `json:"film_var"`
	Fresh       bool    `json:"fresh"`
	PropaneFrac float64 `json:"propane_frac"`
	LeanFrac    float64 `json:"lean_frac"`
	FullFrac    float64 `json:"full_frac"` // propane by mass as configured, 0 not entered
	MeanKgPerH  float64 `json:"mean_kg_h"`
}

type scaleState struct {
	Have       bool       `json:"have"`
	Presence   Presence   `json:"presence"`
	LevelKg    float64    `json:"level_kg"`
	LevelSDKg  float64    `json:"level_sd_kg"`
	AgeS       float64    `json:"age_s"`
	GapKnown   bool       `json:"gap_known"`
	LevelC     float64    `json:"level_c"` // cell temperature of the level
	CellC      float64    `json:"cell_c"`
	CellSeen   bool       `json:"cell_seen"`
	CellAgeS   float64    `json:"cell_age_s"`
	Noise      noise      `json:"noise"`
	OffKg      float64    `json:"off_kg"`
	OffVarKg2  float64    `json:"off_var_kg2"`
	LastKg     float64    `json:"last_load_kg"`
	WideKg     float64    `json:"wide_kg"`
	Tare       tareState  `json:"tare"`
	Prior      tareState  `json:"prior_tare"`
	CapacityKg float64    `json:"capacity_kg"`
	ConfigKg   float64    `json:"config_kg"` // capacity by the configuration at the save
	Said       *Change    `json:"said,omitempty"`
	ConfigFrac float64    `json:"config_propane_frac"` // blend by the configuration at the save
	Undo       *undoable  `json:"undo,omitempty"`
	GoneAgeS   float64    `json:"gone_age_s"`
	Drove      bool       `json:"drove"`
	Unproven   bool       `json:"unproven"`
	AnyPlace   bool       `json:"any_place"`
	BurnedKg   float64    `json:"burned_kg"`
	OweKg      float64    `json:"owe_kg"`
	Heater     learned    `json:"heater"`
	HeaterKW   float64    `json:"heater_kw"` // by the configuration at the save; 0 of a save that did not keep it
	Pace       pace       `json:"pace,omitzero"`
	Thermostat thermostat `json:"thermostat,omitzero"`
	Flames     []string   `json:"flames,omitempty"` // alight at the save; a restart ends them
	Watch      watchState `json:"watch"`
	Drift      driftState `json:"drift"`
	Known      []Known    `json:"known,omitempty"`
	On         Known      `json:"on"`
	Was        Known      `json:"was"`
}

type tareState struct {
	Parts   []tarePart `json:"parts"`
	Entered bool       `json:"entered"`
	Learned bool       `json:"learned,omitempty"`

	Empty emptyWeight `json:"empty,omitzero"`
}

type watchState struct {
	Asked  bool         `json:"asked"`
	Points []watchPoint `json:"points,omitempty"`
	BlankS float64      `json:"blank_s"` // still to come
}

// Save is the Estimator's memory. It shares nothing with the Estimator.
func (e *Estimator) Save() State {
	w := e.weigh
	now := e.upS
	s := scaleState{
		Have: w.have, Presence: w.presence, LevelKg: w.levelKg, LevelSDKg: w.levelSD,
		AgeS: now - w.levelS, GapKnown: w.gapKnown, LevelC: w.cellC,
		CellC: w.cell.tempC, CellSeen: w.cell.seen, CellAgeS: now - w.cell.seenS,
		Noise: w.noise, OffKg: w.offKg, OffVarKg2: w.offVar, LastKg: w.lastKg, WideKg: w.wideKg,
		Tare: w.tare.save(), Prior: w.prior.save(), CapacityKg: w.p.Cylinder.CapacityKg, ConfigKg: e.params.Cylinder.CapacityKg,
		ConfigFrac: e.params.Cylinder.PropaneMassFrac, Undo: w.undo.saved(now),
		GoneAgeS: now - w.goneS, Drove: w.drove, Unproven: w.unproven, AnyPlace: w.anyPlace,
		BurnedKg: w.burn.totalKg, OweKg: w.burn.oweKg, Heater: w.burn.split.learn, Pace: w.burn.pace, Thermostat: w.burn.therm,
		Watch: w.watch.save(now), Drift: w.watch.drift.save(w.p.Scale.CountsPerKg),
		Known: slices.Clone(w.known.list), On: w.known.on, Was: w.known.was,
	}
	if h := w.burn.split.heater; h >= 0 {
		s.HeaterKW = w.burn.split.apps[h].RatedKW
	}
	if w.said {
		said := w.ch
		s.Said = &said
	}
	for g, name := range w.burn.names {
		if w.burn.flames[g].on {
			s.Flames = append(s.Flames, name)
		}
	}
	return State{Version: stateVersion, Condition: e.cond.save(), Clock: e.clock.save(), Gas: e.gas.save(), Scale: s, Vessel: e.vessel.save(), Causes: e.causes.save(now),
		Calibration: e.saveCalibration()}
}

// Restore continues from a State after darkS seconds without a tick; a negative gap is one
// of unknown length. at is the Up of the Step that comes next, and Restore is called before
// the first one: near zero in a new boot, and going on where a boot only changed its
// configuration (newBoot false). The fuel is held, with an interval
// wide enough for what may have burned, until the scale has come to rest. Of a State with
// numbers no van can have only what people entered and the total are taken, as far as they
// are possible themselves; a State of another version is ignored.
func (e *Estimator) Restore(s State, darkS float64, at time.Duration, newBoot bool) {
	if s.Version != stateVersion || math.IsNaN(darkS) {
		return
	}
	e.restoreCalibration(s.Calibration)
	if was := s.Calibration.ScaleNow; was != (ScaleConstants{}) { // what the weights of the state are in
		e.weigh.p.Scale = e.params.Scale.with(was)
	}
	defer e.tellCalibration()
	if !s.Scale.plausible(e.params.Scale.CapacityKg) {
		s = s.Entered()
		s.Scale.mend(e.weigh)
	}
	c := &s.Scale
	e.cond.restore(s.Condition)
	e.clock.restore(s.Clock)
	e.gas.restore(s.Gas)
	if newBoot { // Up has started again, even where it is later than the save by chance
		e.cond.up, e.clock.mem.Up, e.gas.mem.Up = math.MaxInt64, math.MaxInt64, math.MaxInt64
		e.clock.mem.Raw.Up = math.MaxInt64
	}
	if c.ConfigKg != e.params.Cylinder.CapacityKg { // the owner has changed the configuration since
		c.CapacityKg = e.params.Cylinder.CapacityKg
	}
	if c.ConfigFrac != e.params.Cylinder.PropaneMassFrac {
		c.On.Blend = ""
	}
	e.vessel.holds(c.On.Blend)
	e.causes.restore(s.Causes, at.Seconds()-max(darkS, 0), at.Seconds())
	e.vessel.restore(s.Vessel, darkS, c.CapacityKg, at.Seconds())
	w := e.weigh
	atS := at.Seconds()
	e.upS = atS
	thenS := atS - max(darkS, 0) // of the save, on the clock of this boot
	w.have, w.presence, w.levelKg, w.levelSD = c.Have, c.Presence, c.LevelKg, c.LevelSDKg
	if w.presence == Present && (newBoot || darkS > gapS) { // nobody has looked since
		w.presence = PresenceUnknown
	}
	w.levelS, w.gapKnown, w.cellC = thenS-c.AgeS, c.GapKnown && darkS >= 0, c.LevelC
	w.cell = cell{tempC: c.CellC, seen: c.CellSeen, seenS: thenS - c.CellAgeS}
	if c.Noise.NearKg > 0 && c.Noise.FarKg > 0 {
		w.noise.NearKg, w.noise.FarKg = clip(c.Noise.NearKg, noiseMostKg), clip(c.Noise.FarKg, noiseMostKg)
	}
	w.offKg, w.offVar, w.lastKg, w.wideKg = c.OffKg, c.OffVarKg2, c.LastKg, c.WideKg
	if darkS < 0 && w.have {
		w.wideKg = w.levelKg // any of it may have burned
	}
	w.tare.restore(c.Tare)
	w.prior.restore(c.Prior)
	w.p.Cylinder.CapacityKg = c.CapacityKg
	if c.Said != nil {
		w.ch, w.said = *c.Said, true
	}
	w.goneS, w.drove, w.unproven, w.anyPlace = thenS-c.GoneAgeS, c.Drove, c.Unproven, c.AnyPlace
	w.burn.totalKg, w.burn.oweKg = c.BurnedKg, c.OweKg
	if h := w.burn.split.heater; h >= 0 && c.Heater.KgPerH > 0 && (c.HeaterKW == 0 || c.HeaterKW == w.burn.split.apps[h].RatedKW) {
		w.burn.split.learn = c.Heater
		w.burn.split.tabulate()
		w.burn.tabulate()
	}
	if c.Pace.plausible() && c.Thermostat.plausible() {
		w.burn.pace, w.burn.therm = c.Pace, c.Thermostat
		w.burn.switches()
	}
	w.watch.restore(c.Watch, thenS)
	w.known.restore(c.Known, c.On, c.Was)
	w.undo = undoFrom(c.Undo, thenS, darkS, w.p.Scale.CapacityKg)
	w.watch.drift.restore(c.Drift, thenS, w.p.Scale.CountsPerKg)
	for g, name := range w.burn.names {
		w.burn.flames[g].on = slices.Contains(c.Flames, name)
	}
	if len(c.Flames) > 0 {
		w.burn.lateN = 0
	}
	w.settle(afterGap, restBlocksN, atS)
	e.useScale()
	if was := s.Calibration.ScaleNow; was != (ScaleConstants{}) && was != w.p.Scale.constants() {
		e.note(sensors.LoadCounts, "the scale goes by other numbers of the configuration from now on")
	}
	if w.presence == Removed {
		w.phase = absent
	}
	e.cal.cut = s.Calibration.Cut // over a reload and another restart too
	if newBoot {
		e.cal.cut = cmp.Or(s.Calibration.Begun, s.Calibration.Cut)
	} else {
		e.resume(s.Calibration, thenS)
	}
}

// mostCellC is no temperature of a van, on either side of zero.
const mostCellC = 150.0

// plausible refuses a State that would poison every estimate after it.
func (c *scaleState) plausible(cellKg float64) bool {
	for _, kg := range [...]float64{c.LevelKg, c.LevelSDKg, c.AgeS, c.OffVarKg2, c.BurnedKg, c.CellAgeS, c.CapacityKg} {
		if math.IsNaN(kg) || math.IsInf(kg, 0) || kg < 0 {
			return false
		}
	}
	if !(math.Abs(c.CellC) <= mostCellC) || !(math.Abs(c.LevelC) <= mostCellC) {
		return false
	}
	if cellKg > 0 && (c.LevelKg > 2*cellKg || c.CapacityKg > cellKg) || math.Abs(c.OffKg) > c.LevelKg+cellKg {
		return false
	}
	return c.Tare.plausible() && c.Prior.plausible()
}

// mend replaces what is impossible by what a cold start has.
func (c *scaleState) mend(cold *weighing) {
	if !c.Tare.plausible() {
		c.Tare = cold.tare.save()
	}
	if !c.Prior.plausible() {
		c.Prior = cold.prior.save()
	}
	if !(c.BurnedKg >= 0) || math.IsInf(c.BurnedKg, 0) {
		c.BurnedKg = 0
	}
	if top := cold.p.Scale.CapacityKg; !(c.CapacityKg >= 0) || top > 0 && c.CapacityKg > top {
		c.CapacityKg = cold.p.Cylinder.CapacityKg
	}
}

func (t tareState) plausible() bool {
	for _, p := range t.Parts {
		if !(p.PartFrac > 0 && p.SDKg > 0 && p.Kg >= 0) || math.IsInf(p.Kg, 0) {
			return false
		}
	}
	e := t.Empty
	if !(e.Kg >= 0) || math.IsInf(e.Kg, 0) || !(math.Abs(e.CellC) <= mostCellC) || !(math.Abs(e.KgPerK) <= 1) {
		return false
	}
	return len(t.Parts) > 0 && len(t.Parts) <= len(tare{}.parts)
}

func (t *tare) save() tareState {
	return tareState{append([]tarePart(nil), t.parts[:t.n]...), t.entered, t.learned, t.empty}
}

func (t *tare) restore(s tareState) {
	t.n = copy(t.parts[:], s.Parts)
	t.entered, t.learned, t.empty = s.Entered, s.Learned, s.Empty
	t.settle()
}

func (w *weightWatch) save(nowS float64) watchState {
	s := watchState{Asked: w.asked, BlankS: max(0, w.blankS-nowS)}
	for i := range w.n {
		p := w.at(i)
		p.UpS -= nowS
		p.Spell -= w.spell + 1
		s.Points = append(s.Points, p)
	}
	return s
}

func (w *weightWatch) restore(s watchState, thenS float64) {
	w.asked, w.blankS = s.Asked, thenS+s.BlankS
	w.head, w.n = 0, min(len(s.Points), len(w.ring))
	copy(w.ring[:], s.Points[len(s.Points)-w.n:])
	for i := range w.n {
		w.ring[i].UpS += thenS
	}
}

func (v *vessel) save() vesselState {
	return vesselState{Begun: v.begun, TempC: v.tempC, VarK2: v.varK2, CovK: v.covK, FreshK2: v.freshK2,
		FilmLn: v.lnFilm, FilmVar: v.varLn, Fresh: v.fresh, MeanKgPerH: v.meanKgH,
		PropaneFrac: v.liquid.PropaneMassFrac(), LeanFrac: v.lean.PropaneMassFrac(), FullFrac: v.p.PropaneMassFrac}
}

// restore goes on after gapS in which nobody saw how much was drawn. What no cylinder can
// have is left out.
func (v *vessel) restore(s vesselState, gapS, capacityKg, atS float64) {
	if capacityKg > 0 {
		v.said(Change{CapacityKg: capacityKg})
	}
	if s.FilmLn >= leastLnFilm && s.FilmLn <= mostLnFilm && s.FilmVar >= filmLeastSDLn*filmLeastSDLn && s.FilmVar <= filmSDLn*filmSDLn {
		v.lnFilm, v.varLn = s.FilmLn, s.FilmVar
	}
	liquid, ok1 := lpg.BlendByMass(s.PropaneFrac, lpg.NButane)
	lean, ok2 := lpg.BlendByMass(s.LeanFrac, lpg.NButane)
	if !s.Begun || gapS < 0 || !ok1 || !ok2 || s.PropaneFrac < s.LeanFrac || !(math.Abs(s.TempC) <= lpg.MaxTempC) ||
		!(s.VarK2 > 0 && s.VarK2 <= 1e4) || !(math.Abs(s.CovK) <= math.Sqrt(s.VarK2*v.varLn)*1.001) || !(s.FreshK2 >= 0) || !(s.MeanKgPerH >= 0 && s.MeanKgPerH <= 100) {
		return
	}
	v.fresh = s.Fresh
	unseen := unseenKPerH * gapS / 3600
	if unseen >= startSDK { // then the air of its locker tells more
		return
	}
	v.begun, v.tempC, v.covK = true, s.TempC, s.CovK
	v.freshK2 = min(s.FreshK2+unseen*unseen, startSDK*startSDK)
	v.varK2 = max(min(s.VarK2+unseen*unseen, startSDK*startSDK), s.VarK2)
	v.meanKgH, v.lastS = s.MeanKgPerH, atS
	if v.blendNew = s.FullFrac != v.p.PropaneMassFrac; !v.blendNew {
		v.liquid, v.lean = liquid, lean
	}
}

// restore leaves out what no cylinder can be.
func (r *register) restore(list []Known, on, was Known) {
	r.list = nil
	for _, k := range list[max(0, len(list)-knownMostN):] {
		if k.plausible() {
			r.list = append(r.list, k)
		}
	}
	r.on = Known{}
	if len(on.Name) <= MostNameBytes {
		r.on = on
	}
	if was.plausible() {
		r.was = was
	}
	r.tell()
}

func (c *causes) save(nowS float64) causesState {
	age := func(atS float64) float64 {
		if math.IsInf(atS, 0) {
			return -1
		}
		return max(0, nowS-atS)
	}
	return causesState{LitAgeS: age(c.litS), PassedAgeS: age(c.passedS), GasAgeS: age(c.gasS), RiskAgeS: age(c.riskS),
		SinceAgeS: age(c.sinceS), Risk: c.risk, PeakKgPerH: c.peakKgH, Lit: c.lit, Failed: c.failed, Call: c.call}
}

// restore takes up what was remembered at thenS; an empty state is of a version without.
func (c *causes) restore(s causesState, thenS, atS float64) {
	*c = newCauses()
	c.firstS, c.lastS, c.sinceS = atS, atS, atS
	if s == (causesState{}) {
		return
	}
	back := func(ageS float64) float64 {
		if !(ageS >= 0) {
			return math.Inf(-1)
		}
		return thenS - ageS
	}
	c.litS, c.passedS, c.gasS, c.riskS = back(s.LitAgeS), back(s.PassedAgeS), back(s.GasAgeS), back(s.RiskAgeS)
	if slices.Contains(Risks(), string(s.Risk)) {
		c.risk = s.Risk
	} else {
		c.riskS = math.Inf(-1)
	}
	if s.PeakKgPerH >= 0 && s.PeakKgPerH <= 100 {
		c.peakKgH = s.PeakKgPerH
	}
	if s.SinceAgeS >= 0 && !math.IsInf(s.SinceAgeS, 1) {
		c.sinceS = thenS - s.SinceAgeS
	}
	c.lit, c.failed, c.call = s.Lit, s.Failed, s.Call
}
