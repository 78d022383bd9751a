package estimate

import (
	"errors"
	"fmt"
	"math"
	"time"

	"frostline/sensors"
)

// CalibrationStep is one step of a calibration, as the person at the scale or at the gas
// sensor gives it. Exactly one field is set. What the sensor reads is not in it: the
// estimator takes the newest readings of its own, so a recording holds all there is.
type CalibrationStep struct {
	Begin    string       `json:"begin,omitempty"`     // TheScale: what stands on it is no cylinder until End; TheGas: the air is clean now
	Zero     bool         `json:"zero,omitempty"`      // the cradle is empty, hose and regulator hang as they always do
	Weight   *KnownWeight `json:"weight,omitempty"`    // this stands on the cradle and nothing else
	CleanAir bool         `json:"clean_air,omitempty"` // the van was aired
	Mix      *TestMix     `json:"mix,omitempty"`       // this flows over the gas sensor
	End      string       `json:"end,omitempty"`       // TheScale: the cylinder is back; TheGas
}

// What can be calibrated.
const (
	TheScale = "scale"
	TheGas   = "gas"
)

// Calibration is what is known of the calibrations of scale and gas sensor. It is never
// changed once it was given out.
type Calibration struct {
	Scale []ScaleRecord // oldest first; the last holds, and without any the configuration does
	Gas   []GasRecord
	Begun string       // TheScale or TheGas while somebody calibrates, else empty
	Zero  *ScalePoint  // of the calibration that has begun
	Loads []ScalePoint // of the same
	Cut   string       // TheScale or TheGas if the program stopped while somebody calibrated it, until one begins

	ScaleNow ScaleConstants // that hold, wherever they come from; no slope means not calibrated
}

// Settled says how the newest readings of a raw channel stand, in the channel's unit.
type Settled struct {
	Mean   float64 // of the newest ten; means nothing while N is 0
	SD     float64 // one standard deviation
	Spread float64 // highest less lowest
	N      int
	AgeS   float64 // of the newest
	Steady bool    // there are ten and they lie close together
}

// Limits of calibrating. Those without a source are engineering judgement.
const (
	keptN         = 10      // calibrations of each kind
	sessionLastsS = 30 * 60 // from its last step: whoever went away is not calibrating
	stretchN      = 10
	stretchS      = 15 // in periods of the channel: older readings do not count
)

// stretch is the newest readings of a raw channel, a ring.
type stretch struct {
	value [stretchN]float64
	upS   [stretchN]float64
	n, at int
}

func (s *stretch) take(upS, v float64) {
	s.value[s.at], s.upS[s.at] = v, upS
	s.at = (s.at + 1) % stretchN
	s.n = min(s.n+1, stretchN)
}

// settled judges the ring: steady if it is full and all of it lies within most.
func (s *stretch) settled(nowS, periodS, most float64) Settled {
	var out Settled
	low, high, newest, squares := math.Inf(1), math.Inf(-1), math.Inf(-1), 0.0
	for i := range s.n {
		if nowS-s.upS[i] > stretchS*max(periodS, 1) {
			continue
		}
		v := s.value[i]
		out.N++
		off := v - out.Mean // Welford's way: no difference of large squares
		out.Mean += off / float64(out.N)
		squares += off * (v - out.Mean)
		low, high, newest = min(low, v), max(high, v), max(newest, s.upS[i])
	}
	if out.N == 0 {
		return out
	}
	if out.N > 1 {
		out.SD = math.Sqrt(squares / float64(out.N-1))
	}
	out.Spread, out.AgeS = high-low, nowS-newest
	out.Steady = out.N == stretchN && out.Spread <= most
	return out
}

// why says what is wrong with readings that are not steady.
func (s Settled) why(unit string) error {
	switch {
	case s.N == 0:
		return errors.New("there is no reading: see frostline check")
	case s.N < stretchN:
		return fmt.Errorf("%d readings of %d so far; wait a few seconds", s.N, stretchN)
	}
	return fmt.Errorf("the signal moves by %.4g %s; hands off, everybody still, and try again", s.Spread, unit)
}

// calibrator keeps the calibrations and the session in which one is made. A session does
// not outlive a boot: what stands on the scale then is weighed as a cylinder again.
type calibrator struct {
	scale []ScaleRecord
	gas   []GasRecord
	told  *Calibration // made anew with each change

	begun  string
	cut    string // was begun when the program stopped
	untilS float64
	zero   *ScalePoint
	loads  []ScalePoint
	before []ScaleRecord // when the session began: its steps make one more together

	load     stretch
	happened []Happening // told with the next tick
	last     sensors.Stamp
	trusted  bool
}

// Calibrate takes one step of a calibration. actor is who took it. The error says why not,
// and then nothing has changed.
func (e *Estimator) Calibrate(step CalibrationStep, actor string) error {
	if err := step.Check(); err != nil {
		return err
	}
	defer e.tellCalibration()
	switch {
	case step.Begin != "":
		return e.beginCalibration(step.Begin)
	case step.End != "":
		if e.cal.begun != step.End {
			return fmt.Errorf("calibrate: no calibration of the %s is going on%s", step.End, e.cal.cutShort(step.End))
		}
		e.endCalibration()
		return nil
	case step.Zero:
		return e.calibrateZero(actor)
	case step.Weight != nil:
		return e.calibrateWeight(*step.Weight, actor)
	case step.CleanAir:
		return e.calibrateClean(actor)
	}
	return e.calibrateMix(*step.Mix, actor)
}

// Undo goes back to the calibration before, or to the configuration's numbers.
func (e *Estimator) Undo(what string) error {
	c := &e.cal
	defer e.tellCalibration()
	switch what {
	case TheScale:
		if len(c.scale) == 0 {
			return errors.New("calibrate: nothing to undo: the configuration's numbers hold")
		}
		if e.weigh.move.moving { // the hold of a drive would end, and the road be weighed
			return errors.New("calibrate: the van is moving; undo it once it stands")
		}
		c.scale = c.scale[: len(c.scale)-1 : len(c.scale)-1]
		c.zero, c.loads, c.before = nil, nil, c.scale
		e.useScale()
		e.note(sensors.LoadCounts, "the last calibration of the scale was undone")
	case TheGas:
		if len(c.gas) == 0 {
			return errors.New("calibrate: nothing to undo: the configuration's numbers hold")
		}
		c.gas = c.gas[: len(c.gas)-1 : len(c.gas)-1]
		e.useGas()
		e.note(sensors.GasV, "the last calibration of the gas sensor was undone")
	default:
		return fmt.Errorf("calibrate: %q can be undone for %s and %s only", what, TheScale, TheGas)
	}
	return nil
}

// Check says what no step can be, whatever the sensors read.
func (s CalibrationStep) Check() error {
	n := 0
	for _, set := range [...]bool{s.Begin != "", s.Zero, s.Weight != nil, s.CleanAir, s.Mix != nil, s.End != ""} {
		if set {
			n++
		}
	}
	if n != 1 {
		return errors.New("calibrate: give one of begin, zero, weight, clean_air, mix, end")
	}
	for _, what := range [...]string{s.Begin, s.End} {
		if what != "" && what != TheScale && what != TheGas {
			return fmt.Errorf("calibrate: %q is neither %s nor %s", what, TheScale, TheGas)
		}
	}
	if s.Weight != nil {
		_, _, err := s.Weight.mass()
		return err
	}
	if s.Mix != nil {
		return s.Mix.check()
	}
	return nil
}

func (e *Estimator) beginCalibration(what string) error {
	c := &e.cal
	switch {
	case c.begun == what:
		c.untilS = e.upS + sessionLastsS
		return nil
	case c.begun != "":
		return fmt.Errorf("calibrate: the %s is being calibrated; end that first", c.begun)
	case what == TheScale && e.ix.load < 0:
		return errors.New("calibrate: no load cell is wired")
	case what == TheScale && e.weigh.move.moving:
		return errors.New("calibrate: the van is moving")
	case what == TheGas:
		if err := e.gas.quiet(); err != nil {
			return err
		}
	}
	c.begun, c.untilS, c.cut = what, e.upS+sessionLastsS, ""
	if what == TheScale {
		c.zero, c.loads, c.before = nil, nil, c.scale
		e.weigh.lift(e.upS, &c.happened)
		c.load = stretch{}
	}
	return nil
}

func (e *Estimator) endCalibration() {
	c := &e.cal
	if c.begun == TheScale {
		e.weigh.heavyN, e.weigh.lightN = 0, 0 // whatever stands there now is looked at afresh
		e.weigh.maker.n, e.weigh.held = 0, false
	}
	c.begun, c.zero, c.loads, c.before = "", nil, nil, nil
}

// cutShort is what to add to a refusal if a restart has ended a calibration of what.
func (c *calibrator) cutShort(what string) string {
	if c.cut != what {
		return ""
	}
	return "; frostline was restarted meanwhile: begin again"
}

// calibrating lets a session that nobody goes on with come to its end. It reports whether
// the scale is not to be believed.
func (e *Estimator) calibrating(upS float64) bool {
	c := &e.cal
	if c.begun != "" && upS >= c.untilS {
		e.endCalibration()
		e.tellCalibration()
	}
	return c.begun == TheScale
}

// note leaves word of a calibration for the log of events.
func (e *Estimator) note(ch sensors.Channel, why string) {
	e.cal.happened = append(e.cal.happened, Happening{Kind: Calibrated, Channel: string(ch), Why: why})
}

// when is the label of a record made now.
func (c *calibrator) when(actor string) Made {
	return Made{Wall: c.last.Wall, ClockTrusted: c.trusted, Actor: actor}
}

// Made says when a calibration was made, and by whom.
type Made struct {
	Wall         time.Time `json:"wall"`
	ClockTrusted bool      `json:"clock_trusted"`
	Actor        string    `json:"actor"`
}

// tellCalibration makes what the estimates point to. The lists are never changed in place.
func (e *Estimator) tellCalibration() {
	c := &e.cal
	c.told = &Calibration{Scale: c.scale, Gas: c.gas, Begun: c.begun, Zero: c.zero, Loads: c.loads, Cut: c.cut, ScaleNow: e.weigh.p.Scale.constants()}
}

// keep appends to a list that others may hold, and leaves the oldest out.
func keep[T any](list []T, r T) []T {
	list = append(list[:len(list):len(list)], r)
	return list[max(0, len(list)-keptN):]
}

// calibrationState is what a checkpoint keeps.
type calibrationState struct {
	Scale       []ScaleRecord  `json:"scale,omitempty"`
	Gas         []GasRecord    `json:"gas,omitempty"`
	ScaleConfig ScaleConstants `json:"scale_config"` // by the configuration at the save
	ScaleNow    ScaleConstants `json:"scale_now"`    // in which the weights of the state are
	GasConfig   GasConstants   `json:"gas_config"`
	Begun       string         `json:"begun,omitempty"` // what is being calibrated: it goes on over a reload
	LeftS       float64        `json:"left_s,omitempty"`
	Cut         string         `json:"cut,omitempty"` // what a restart has ended, until one begins
}

func (e *Estimator) saveCalibration() calibrationState {
	return calibrationState{Scale: e.cal.scale, Gas: e.cal.gas, ScaleConfig: e.params.Scale.constants(),
		ScaleNow: e.weigh.p.Scale.constants(), GasConfig: e.params.Gas.constants(),
		Begun: e.cal.begun, LeftS: e.cal.leftS(e.upS), Cut: e.cal.cut}
}

// leftS is how long the calibration that goes on lasts without another step.
func (c *calibrator) leftS(upS float64) float64 {
	if c.begun == "" {
		return 0
	}
	return max(0, c.untilS-upS)
}

// resume goes on with a calibration over a change of the configuration: what stands on the
// scale is still no cylinder. What was weighed of it must be weighed again.
func (e *Estimator) resume(s calibrationState, atS float64) {
	if s.Begun != TheScale && s.Begun != TheGas || !(s.LeftS > 0 && s.LeftS <= sessionLastsS) {
		return
	}
	e.cal.begun, e.cal.untilS, e.cal.before = s.Begun, atS+s.LeftS, e.cal.scale
	e.weigh.held = s.Begun == TheScale
}

// restoreCalibration takes the lists back. A calibration holds until the configuration's own
// numbers change: then somebody has written newer ones, and they come last in the list.
func (e *Estimator) restoreCalibration(s calibrationState) {
	c := &e.cal
	c.scale, c.gas = nil, nil
	for _, r := range s.Scale[max(0, len(s.Scale)-keptN):] {
		if r.plausible() {
			c.scale = append(c.scale, r)
		}
	}
	for _, r := range s.Gas[max(0, len(s.Gas)-keptN):] {
		if r.plausible() {
			c.gas = append(c.gas, r)
		}
	}
	now := Made{Actor: ByConfiguration}
	if conf := e.params.Scale.constants(); len(c.scale) > 0 && conf != s.ScaleConfig && conf.CountsPerKg != 0 {
		c.scale = keep(c.scale, ScaleRecord{Made: now, ScaleConstants: conf})
	}
	if conf := e.params.Gas.constants(); len(c.gas) > 0 && conf != s.GasConfig {
		c.gas = keep(c.gas, GasRecord{Made: now, GasConstants: conf})
	}
	e.useGas()
}

// ByConfiguration is the actor of a record that the configuration has written over others.
const ByConfiguration = "configuration"
