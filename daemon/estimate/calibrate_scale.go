package estimate

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"frostline/sensors"
)

// ScaleConstants are the numbers of a scale that a calibration gives; the rest of [Scale] is
// the data sheet's.
type ScaleConstants struct {
	CountsPerKg   float64 `json:"counts_per_kg"` // 0 means not calibrated
	ZeroCounts    float64 `json:"zero_counts"`
	CalibratedAtC float64 `json:"calibrated_at_c"`
	SpanSDFrac    float64 `json:"span_sd"`
	ZeroSDKg      float64 `json:"zero_sd_kg"`
}

func (s Scale) constants() ScaleConstants {
	return ScaleConstants{s.CountsPerKg, s.ZeroCounts, s.CalibratedAtC, s.SpanSDFrac, s.ZeroSDKg}
}

func (s Scale) with(c ScaleConstants) Scale {
	s.CountsPerKg, s.ZeroCounts, s.CalibratedAtC, s.SpanSDFrac, s.ZeroSDKg =
		c.CountsPerKg, c.ZeroCounts, c.CalibratedAtC, c.SpanSDFrac, c.ZeroSDKg
	return s
}

// ScaleRecord is one calibration of the scale: what it gave and what it rests on.
type ScaleRecord struct {
	Made
	ScaleConstants
	CellC      *float64     `json:"cell_c,omitempty"` // of the load cell, nil if nobody could say
	Zero       *ScalePoint  `json:"zero,omitempty"`   // nil: the zero before was kept
	Loads      []ScalePoint `json:"loads,omitempty"`  // none: the slope before was kept, or the data sheet's was taken
	ResidualKg float64      `json:"residual_kg"`      // largest distance of a weight from the line, with two weights
	Notes      []string     `json:"notes,omitempty"`  // what the person should know of it
}

// ScalePoint is the mean of ten readings with a known load.
type ScalePoint struct {
	Counts   float64 `json:"counts"`
	SDCounts float64 `json:"sd_counts"` // of one reading
	Kg       float64 `json:"kg"`        // 0 is the empty cradle
	SDKg     float64 `json:"sd_kg"`     // how well the load is known
	Kind     string  `json:"kind,omitempty"`
}

// KnownWeight is a load whose mass is known otherwise than by this scale.
type KnownWeight struct {
	Kind        string  `json:"kind"`                   // Shop, Water or Stated
	Kg          float64 `json:"kg,omitempty"`           // Shop and Stated
	VolumeL     float64 `json:"volume_l,omitempty"`     // Water
	WaterC      float64 `json:"water_c,omitempty"`      // Water
	ContainerKg float64 `json:"container_kg,omitempty"` // Water: the empty container
	SDKg        float64 `json:"sd_kg,omitempty"`        // one standard deviation; 0 takes the kind's
}

// The kinds of known weight. A cylinder is none of them: its stamped tare is off by -3 to
// +1 % by rule and more in use, and what is in it is what the scale is to tell.
const (
	Shop   = "shop"   // weighed on a trade or postal scale
	Water  = "water"  // by volume and temperature
	Stated = "stated" // what is cast or printed on it, as on a dumbbell
)

// How well each kind is known, one standard deviation. Shop: two divisions of 5 g and a
// twentieth of a percent, from memory of trade scales. Water: a kitchen jug is off by 1 to
// 2 % (sensing.md 3.6). Stated: cast plates are off by up to 3 %, common practice, no source.
const (
	shopSDKg     = 0.010
	shopSDFrac   = 0.0005
	waterSDFrac  = 0.015
	statedSDFrac = 0.03 / sqrt3
)

// Limits of a calibration of the scale; those without a source are engineering judgement.
const (
	leastWeightKg  = 1.0
	steadyKg       = 0.015  // within which ten readings lie when nobody moves (sensing.md 3.7, one second)
	steadyCounts   = 800.0  // the same before a slope is known: 9 g of a 50 kg cell of 2 mV/V
	linearKg       = 0.018  // sensing.md 3.6: 0.2 % of the fuel
	wrongFrac      = 0.05   // beyond it two weights contradict each other: one of them is wrong
	oneLoadFrac    = 0.0003 // of the cell's capacity: what one weight cannot show of non-linearity (sensing.md 3.4, C3)
	sheetSDFrac    = 0.05   // of a slope by the data sheet: gain, supply and cell as they come
	sheetTimes     = 2.0    // between the slope measured and the data sheet's, or something is wrong
	leastSignal    = 20.0   // a weight moves the signal by so many times its noise
	nominalGain    = 128.0  // of the bridge ADC
	mostHoldableKg = 200.0
)

// steadyWithin is the most that ten readings of a scale at rest differ by, in counts.
func (s Scale) steadyWithin() float64 {
	if s.CountsPerKg == 0 {
		return steadyCounts
	}
	return steadyKg * math.Abs(s.CountsPerKg)
}

// sheetCountsPerKg is the slope by the data sheet: a ratiometric 24-bit ADC of gain 128 shows
// half its supply over the gain as 2^23 (sensing.md 3.1). 0 if no rated output is given.
func (s Scale) sheetCountsPerKg() float64 {
	if s.CapacityKg <= 0 {
		return 0
	}
	return s.RatedMVPerV / 1000 * 2 * nominalGain * (1 << 23) / s.CapacityKg
}

// mass is what the load weighs as a scale that was set with steel weights shows it, and how
// well that is known.
func (k KnownWeight) mass() (kg, sdKg float64, err error) {
	switch k.Kind {
	case Shop:
		kg, sdKg = k.Kg, math.Hypot(shopSDKg, shopSDFrac*k.Kg)
	case Stated:
		kg, sdKg = k.Kg, statedSDFrac*k.Kg
	case Water:
		if !(k.VolumeL > 0 && k.VolumeL <= 100) || !(k.WaterC >= 0 && k.WaterC <= 40) {
			return 0, 0, errors.New("calibrate: water needs its volume, at most 100 L, and its temperature, 0 to 40 C")
		}
		water := k.VolumeL * waterKgPerL(k.WaterC) * (1 - airOnWaterFrac)
		kg, sdKg = water+k.ContainerKg, math.Hypot(waterSDFrac*water, shopSDKg)
	case "cylinder":
		return 0, 0, errors.New("calibrate: a cylinder is no known weight: stamped tares are off by -3 to +1 % and more, and its fill is what the scale is to tell")
	default:
		return 0, 0, fmt.Errorf("calibrate: a known weight is %s, %s or %s, not %q", Shop, Water, Stated, k.Kind)
	}
	if k.SDKg != 0 {
		sdKg = k.SDKg
	}
	if !(kg >= leastWeightKg && kg <= mostHoldableKg) || !(k.ContainerKg >= 0 && k.ContainerKg <= kg/2) {
		return 0, 0, fmt.Errorf("calibrate: a known weight lies between %g and %g kg, its container at half of it", leastWeightKg, mostHoldableKg)
	}
	if !(sdKg > 0 && sdKg <= kg/5) {
		return 0, 0, errors.New("calibrate: how well the weight is known lies above 0 and below a fifth of it")
	}
	return kg, sdKg, nil
}

// airOnWaterFrac is what the air carries of water more than of the steel a scale is set
// with: 1.2 kg/m3 over 998 and over 8000 (sensing.md 3.6: 0.105 %).
const airOnWaterFrac = 1.2/998 - 1.2/8000

// waterKgPerL is the density of air-free water, 0 to 40 C.
//
// Source: Tanaka et al. 2001, Metrologia 38, 301, coefficients from memory, checked against
// the table of sensing.md 3.6 to its last digit.
func waterKgPerL(tempC float64) float64 {
	d := tempC - 3.983035
	return 0.99997495 * (1 - d*d*(tempC+301.797)/(522528.9*(tempC+69.34881)))
}

// calibrateZero takes the empty cradle.
func (e *Estimator) calibrateZero(actor string) error {
	p, err := e.scalePoint()
	if err != nil {
		return err
	}
	if w := e.weigh; w.have && w.levelKg > absentKg && math.Abs(w.grossKg(p.Counts)-w.levelKg) < changedKg {
		return errors.New("calibrate: the signal is that from before: lift the cylinder off")
	}
	return e.weighed(func() { e.cal.zero = &p }, actor)
}

// calibrateWeight takes a known weight.
func (e *Estimator) calibrateWeight(k KnownWeight, actor string) error {
	kg, sdKg, err := k.mass()
	if err != nil {
		return err
	}
	if top := e.params.Scale.CapacityKg; top > 0 && kg > top {
		return fmt.Errorf("calibrate: %.4g kg is more than the cell's %.4g kg: it may be damaged; take it off", kg, top)
	}
	p, err := e.scalePoint()
	if err != nil {
		return err
	}
	p.Kg, p.SDKg, p.Kind = kg, sdKg, k.Kind
	c := &e.cal
	if c.zero == nil && e.scaleBefore().CountsPerKg == 0 {
		return errors.New("calibrate: weigh the empty cradle first")
	}
	return e.weighed(func() { c.loads = append(c.loads[:len(c.loads):len(c.loads)], p) }, actor)
}

// scalePoint is the load signal at rest.
func (e *Estimator) scalePoint() (ScalePoint, error) {
	c := &e.cal
	switch {
	case e.ix.load < 0:
		return ScalePoint{}, errors.New("calibrate: no load cell is wired")
	case c.begun != TheScale:
		return ScalePoint{}, errors.New("calibrate: say first that a calibration of the scale begins, or what is on it is taken for a cylinder" + c.cutShort(TheScale))
	}
	s := e.loadNow(c.last.UpS())
	if !s.Steady {
		return ScalePoint{}, fmt.Errorf("calibrate: %w", s.why("counts"))
	}
	return ScalePoint{Counts: s.Mean, SDCounts: s.SD}, nil
}

// loadNow is the load signal of now.
func (e *Estimator) loadNow(upS float64) Settled {
	if e.ix.load < 0 {
		return Settled{}
	}
	return e.cal.load.settled(upS, e.wiring[e.ix.load].Period.Seconds(), e.weigh.p.Scale.steadyWithin())
}

// scaleBefore is what held before the session began.
func (e *Estimator) scaleBefore() Scale {
	if b := e.cal.before; len(b) > 0 {
		return e.params.Scale.with(b[len(b)-1].ScaleConstants)
	}
	return e.params.Scale
}

// weighed adds a point and works the session out anew. A point that cannot be is taken back.
func (e *Estimator) weighed(add func(), actor string) error {
	c := &e.cal
	zero, loads := c.zero, c.loads
	add()
	cellC, cellKnown := e.cellNow()
	r, err := solveScale(e.scaleBefore(), c.zero, c.loads, cellC, cellKnown)
	if err != nil {
		c.zero, c.loads = zero, loads
		return err
	}
	c.untilS = e.upS + sessionLastsS
	c.load = stretch{} // the next point is not to rest on these readings
	if r.CountsPerKg == 0 {
		return nil // the zero alone: a weight gives the slope
	}
	r.Made = c.when(actor)
	c.scale = keep(c.before, r)
	e.useScale()
	e.note(sensors.LoadCounts, r.Says())
	return nil
}

// cellNow is the temperature of the load cell.
func (e *Estimator) cellNow() (cellC float64, known bool) {
	_, _, known = e.weigh.cell.awayC(e.upS, 0)
	return e.weigh.cell.tempC, known
}

// solveScale lays a line through the empty cradle and the known weights, and says how far
// both may be off. What was not weighed keeps what held before, with an error that grows
// with the change of temperature since. Nothing here ever narrows what a data sheet says.
func solveScale(before Scale, zero *ScalePoint, loads []ScalePoint, cellC float64, cellKnown bool) (ScaleRecord, error) {
	r := ScaleRecord{ScaleConstants: before.constants(), Zero: zero, Loads: loads}
	awayC := float64(coldBootC)
	if cellKnown {
		r.CellC, awayC = &cellC, math.Abs(cellC-before.CalibratedAtC)
	} else {
		r.Notes = append(r.Notes, "no locker thermometer: the temperature of the cell is not known, so the interval stays wide")
	}
	origin := ScalePoint{Counts: before.ZeroCounts}
	originSDKg := math.Hypot(before.ZeroSDKg, before.ZeroTCGPerK/1000*awayC/sqrt3)
	if zero != nil {
		origin, originSDKg = *zero, 0
		r.ZeroCounts = zero.Counts
		if cellKnown {
			r.CalibratedAtC = cellC
		}
	}
	switch {
	case len(loads) > 0:
		if err := r.slope(before, origin, originSDKg); err != nil {
			return r, err
		}
	case before.CountsPerKg != 0:
		r.SpanSDFrac = math.Hypot(before.SpanSDFrac, before.SpanTCPPMPerK*1e-6*awayC/sqrt3)
		r.Notes = append(r.Notes, "no known weight: the slope before is kept")
	case before.sheetCountsPerKg() != 0:
		r.CountsPerKg, r.SpanSDFrac = before.sheetCountsPerKg(), sheetSDFrac
		r.Notes = append(r.Notes, "no known weight: the slope is the data sheet's, give or take 10 %; weigh a known load when you can")
	default:
		return r, nil // no slope yet
	}
	if zero != nil {
		// The cell creeps back after the cylinder was lifted: the data sheet's creep of half its
		// capacity, evenly within.
		creepKg := before.CreepPct30min / 100 * before.CapacityKg / 2 / sqrt3
		r.ZeroSDKg = math.Hypot(zero.meanSD()/math.Abs(r.CountsPerKg), creepKg)
	}
	return r, r.doubt(before)
}

// meanSD is the standard deviation of the mean of the readings.
func (p ScalePoint) meanSD() float64 { return p.SDCounts / math.Sqrt(stretchN) }

// slope works out the counts per kilogram, the weighted mean of what each weight says.
func (r *ScaleRecord) slope(before Scale, origin ScalePoint, originSDKg float64) error {
	sum, weights := 0.0, 0.0
	for _, p := range r.Loads {
		moved := p.Counts - origin.Counts
		noise := math.Hypot(p.meanSD(), origin.meanSD())
		if math.Abs(moved) < leastSignal*noise || moved == 0 {
			return errors.New("calibrate: the signal is that of the empty cradle: is the weight on it, and does nothing else carry it?")
		}
		k := moved / p.Kg
		frac := math.Sqrt(p.SDKg*p.SDKg+originSDKg*originSDKg)/p.Kg + noise/math.Abs(moved)
		w := 1 / (k * k * frac * frac)
		sum, weights = sum+w*k, weights+w
	}
	r.CountsPerKg = sum / weights
	r.ResidualKg = 0
	most := 0.0
	for _, p := range r.Loads {
		off := math.Abs((p.Counts-origin.Counts)/r.CountsPerKg - p.Kg)
		r.ResidualKg, most = max(r.ResidualKg, off), max(most, p.Kg)
		if off > wrongFrac*p.Kg {
			return fmt.Errorf("calibrate: the weights contradict each other by %.0f %%: one of them is not what was said, or something else carries part of it", 100*off/p.Kg)
		}
	}
	bent := oneLoadFrac * before.CapacityKg
	if len(r.Loads) > 1 {
		bent = r.ResidualKg
	}
	r.SpanSDFrac = math.Hypot(1/(math.Abs(r.CountsPerKg)*math.Sqrt(weights)), bent/most)
	if len(r.Loads) > 1 && r.ResidualKg > linearKg {
		r.Notes = append(r.Notes, fmt.Sprintf("the weights lie %.0f g off a line, more than %.0f g: look for a hose, strap or stop that carries part of the load, and whether the cradle stands level",
			1000*r.ResidualKg, 1000*linearKg))
	}
	return nil
}

// doubt holds the slope against the data sheet and the range of the ADC.
func (r *ScaleRecord) doubt(before Scale) error {
	slope := math.Abs(r.CountsPerKg)
	if full := math.Abs(r.ZeroCounts) + slope*before.CapacityKg; full > adcMaxCounts {
		r.Notes = append(r.Notes, fmt.Sprintf("the ADC is full before the cell is, at %.3g kg", (adcMaxCounts-math.Abs(r.ZeroCounts))/slope))
	}
	if r.CountsPerKg < 0 {
		r.Notes = append(r.Notes, "more weight gives fewer counts: the two signal wires are swapped, which does no harm")
	}
	if sheet := before.sheetCountsPerKg(); sheet > 0 && (slope > sheetTimes*sheet || slope < sheet/sheetTimes) {
		r.Notes = append(r.Notes, fmt.Sprintf("%.4g counts/kg, where the data sheet gives %.4g: another gain, another cell, cells in parallel, or a weight that is not what was said", slope, sheet))
	}
	if math.IsNaN(slope) || math.IsInf(slope, 0) || slope > 1e7 {
		return errors.New("calibrate: that gives no slope a load cell has")
	}
	return nil
}

// Says is the record in one line; give or take is 95 %.
func (r ScaleRecord) Says() string {
	within := func(v float64, format string) string {
		if v == 0 {
			return ", its error not stated"
		}
		return " " + fmt.Sprintf("give or take "+format, v)
	}
	text := fmt.Sprintf("%.6g counts/kg%s; zero at %.0f counts%s", r.CountsPerKg, within(100*1.96*r.SpanSDFrac, "%.2g %%"),
		r.ZeroCounts, within(1000*1.96*r.ZeroSDKg, "%.2g g"))
	if r.CellC != nil {
		text += fmt.Sprintf(", cell at %.1f C", *r.CellC)
	}
	if len(r.Notes) > 0 {
		text += "; " + strings.Join(r.Notes, "; ")
	}
	return text
}

func (r ScaleRecord) plausible() bool {
	for _, v := range [...]float64{r.ZeroCounts, r.SpanSDFrac, r.ZeroSDKg} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return r.CountsPerKg != 0 && math.Abs(r.CountsPerKg) <= 1e7 && math.Abs(r.CalibratedAtC) <= mostCellC &&
		r.SpanSDFrac >= 0 && r.SpanSDFrac <= 0.5 && r.ZeroSDKg >= 0
}

// useScale lets the last record hold, or the configuration.
func (e *Estimator) useScale() {
	s := e.params.Scale
	if n := len(e.cal.scale); n > 0 {
		s = s.with(e.cal.scale[n-1].ScaleConstants)
	}
	e.weigh.rescale(e.upS, s)
	if e.ix.load >= 0 {
		e.cond.chans[e.ix.load].load = newLoadLimits(s)
	}
	e.gush.forget()
}

// rescale weighs with other constants from now on. What is believed of the load is said
// again in them, so that a calibration is neither a burn nor another cylinder, and the
// filter begins anew.
func (w *weighing) rescale(upS float64, to Scale) {
	from := w.p.Scale
	w.p.Scale = to
	if from.constants() == to.constants() {
		return
	}
	w.undo = nil // what it holds is said in the constants before
	w.maker.n = 0
	w.trail = [len(w.trail)]block{}
	w.watch.disturb(upS)
	r := 0.0
	if to.CountsPerKg != 0 {
		r = from.CountsPerKg / to.CountsPerKg
	}
	if r <= 0 { // no scale before, none now, or one that was wired the other way
		w.have = false
		w.noise.NearKg, w.noise.FarKg = noiseStartKg, noiseStartKg
		w.offKg, w.offVar, w.lastKg, w.wideKg = 0, 0, 0, 0
		w.watch.drift.memory = driftState{}
	} else {
		again := func(kg float64) float64 { return r*kg + (from.ZeroCounts-to.ZeroCounts)/to.CountsPerKg }
		w.levelKg, w.levelSD, w.wideKg = again(w.levelKg), r*w.levelSD, r*w.wideKg
		w.offKg, w.offVar, w.lastKg = r*w.offKg, r*r*w.offVar, r*w.lastKg
		w.noise.NearKg, w.noise.FarKg = clip(r*w.noise.NearKg, noiseMostKg), clip(r*w.noise.FarKg, noiseMostKg)
		w.noise.n = 0
		for _, t := range [...]*tare{&w.tare, &w.prior} {
			t.rescale(again, r)
		}
		w.known.rescale(again, r)
		if math.Abs(r-1) > sameCellFrac {
			w.watch.drift.memory = driftState{} // as after another cell
		}
		w.have = w.have && w.levelKg > 0
	}
	if w.presence != Removed {
		w.settle(afterCalibration, restBlocksN, upS)
	}
}

// rescale says again a tare that this scale has weighed. A stamp on a collar is not changed
// by a calibration.
func (t *tare) rescale(again func(float64) float64, r float64) {
	if !t.learned {
		return
	}
	for i := range t.parts[:t.n] {
		t.parts[i].Kg, t.parts[i].SDKg = max(again(t.parts[i].Kg), 0), r*t.parts[i].SDKg
	}
	t.settle()
}

func (k *Known) rescale(again func(float64) float64, r float64) {
	if k.GrossKg > 0 {
		k.GrossKg = again(k.GrossKg)
	}
	if k.Learned {
		k.TareKg, k.TareSDKg = again(k.TareKg), r*k.TareSDKg
	}
}

func (r *register) rescale(again func(float64) float64, ratio float64) {
	for i := range r.list {
		r.list[i].rescale(again, ratio)
	}
	r.was.rescale(again, ratio)
	r.tell()
}

// lift takes the cylinder off the scale by word: what stands on it from now on is none.
func (w *weighing) lift(upS float64, told *[]Happening) {
	if w.have && w.presence != Removed {
		*told = append(*told, Happening{Kind: CylinderRemoved})
	}
	w.undo = nil
	w.burn.stop(told)
	w.watch.disturb(upS + creepBlankS)
	w.move.forget()
	if w.presence != Removed {
		w.goneS, w.drove = upS, false
	}
	w.presence, w.phase, w.held = Removed, absent, true
	w.offKg, w.offVar, w.lastKg, w.oddN, w.heavyN, w.lightN = 0, 0, 0, 0, 0, 0
	w.maker.n = 0
}
