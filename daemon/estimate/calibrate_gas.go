package estimate

import (
	"errors"
	"fmt"
	"math"

	"frostline/sensors"
)

// GasConstants are the numbers of a gas sensor that a calibration gives.
type GasConstants struct {
	R0Ohm   float64 `json:"r0_ohm"` // 0: the cleanest air seen is the reference
	TestMix bool    `json:"test_mix"`
}

func (g Gas) constants() GasConstants { return GasConstants{max(g.R0Ohm, 0), g.TestMix} }

// GasRecord is one calibration of the gas sensor.
type GasRecord struct {
	Made
	GasConstants
	Ohm    float64  `json:"ohm,omitempty"`     // resistance, temperature and humidity taken out as far as known
	SDFrac float64  `json:"sd_frac,omitempty"` // of it, over the last minute
	MixPpm float64  `json:"mix_ppm,omitempty"` // 0 is clean air
	MixGas string   `json:"mix_gas,omitempty"`
	Notes  []string `json:"notes,omitempty"`
}

// TestMix is a certified mixture of LP gas in air, as its label says.
type TestMix struct {
	Ppm float64 `json:"ppm"` // by volume
	Gas string  `json:"gas"` // propane or butane
}

// Limits of a calibration of the gas sensor; those without a source are engineering
// judgement. A mix above half the lower limit is no test mix (sensing.md 2.1), and below 300
// ppm the part class hardly answers.
const (
	mixLeastPpm   = 300
	mixMostPpm    = 50 * ppmPerPctLEL
	gasSteadyFrac = 0.04 // of resistance, over a minute
	gasMinuteN    = 10   // readings, 5 s apart, that make a minute
	mixFallFrac   = 0.6  // of clean air: a sensor that shows more has not seen the mix
	classOffTimes = 3.0  // between clean air by the sheet and by the mix, or the sensor is odd
)

func (m TestMix) check() error {
	switch {
	case m.Gas != "propane" && m.Gas != "butane":
		return fmt.Errorf("calibrate: the sensor's curve is that of LP gas: a mix of propane or butane in air gives it, %q does not; lighter gas and solvents harm it", m.Gas)
	case !(m.Ppm >= mixLeastPpm && m.Ppm <= mixMostPpm):
		return fmt.Errorf("calibrate: a test mix holds %g to %g ppm, at most half of the lower limit of 1.7 %% by volume; %g ppm is none", float64(mixLeastPpm), float64(mixMostPpm), m.Ppm)
	}
	return nil
}

// quiet reports whether the sensor can be calibrated: warm, whole, and no vapour about.
func (g *gasWatch) quiet() error {
	if err := g.ready(); err != nil {
		return err
	}
	if g.mem.Hold > levelBackground {
		return fmt.Errorf("calibrate: the gas sensor shows %s: see to that first; this is not the moment", g.mem.Hold.band())
	}
	return nil
}

// ready reports whether the sensor is warm and whole.
func (g *gasWatch) ready() error {
	m := &g.mem
	on := m.Up - m.PowerUp
	switch {
	case g.ix.gas < 0:
		return errors.New("calibrate: no gas sensor is wired")
	case g.p.SupplyV <= 0 || g.p.LoadOhm <= 0:
		return errors.New("calibrate: supply and load of [gas] are not configured")
	case !m.Begun || on < gasSettled:
		return fmt.Errorf("calibrate: the gas sensor is warming up; come back in %.0f min. A new one wants one to two days of power before", math.Ceil((gasSettled - on).Minutes()))
	case m.Faulted:
		return errors.New("calibrate: the gas sensor has a fault: see frostline check")
	case m.Up-m.NewestUp > gasWarmUp || m.Ohm == 0:
		return errors.New("calibrate: the gas sensor does not answer")
	}
	return nil
}

// minute is the mean resistance of the last minute, corrected, and its standard deviation as
// a fraction. The error says that it does not stand still.
func (g *gasWatch) minute() (ohm, sdFrac float64, err error) {
	m := &g.mem
	low, high, sum, squares, n := math.Inf(1), 0.0, 0.0, 0.0, 0
	r := &m.Recent
	for i := 1; i <= r.N; i++ {
		j := (r.Next + len(r.Up) - i) % len(r.Up)
		if m.Up-r.Up[j] > fastRiseWithin {
			break
		}
		v := r.Ohm[j]
		low, high, sum, squares = min(low, v), max(high, v), sum+v, squares+v*v
		n++
	}
	if n < gasMinuteN {
		return 0, 0, errors.New("calibrate: not a minute of readings yet")
	}
	mean := sum / float64(n)
	if (high-low)/mean > gasSteadyFrac {
		return 0, 0, fmt.Errorf("calibrate: the resistance moves by %.0f %% in a minute, more than %.0f %%; wait until it stands", 100*(high-low)/mean, 100*gasSteadyFrac)
	}
	return mean / m.Factor, math.Sqrt(max(squares/float64(n)-mean*mean, 0)) / mean, nil
}

// calibrateClean takes clean air for the reference: a provisional mode, whose bands err early
// and which shows no %LEL.
func (e *Estimator) calibrateClean(actor string) error {
	g := e.gas
	if err := g.quiet(); err != nil {
		return err
	}
	ohm, sd, err := g.minute()
	if err != nil {
		return err
	}
	if ohm < leastCleanOhm {
		return fmt.Errorf("calibrate: %.0f ohm is less than such a sensor has in clean air: there are vapours, or load is not the resistor that is fitted", ohm)
	}
	e.gasDone(GasRecord{GasConstants: GasConstants{R0Ohm: ohm / g.p.CleanAirRatio}, Ohm: ohm, SDFrac: sd,
		Notes: []string{"by clean air only: bands err early and no %LEL is shown"}}, actor)
	return nil
}

// calibrateMix takes a test mix for the reference, after which %LEL may be shown. That the
// alarms sound meanwhile is right: the sensor sees gas.
func (e *Estimator) calibrateMix(mix TestMix, actor string) error {
	g := e.gas
	if e.cal.begun != TheGas {
		return errors.New("calibrate: say first, in clean air, that a calibration of the gas sensor begins" + e.cal.cutShort(TheGas))
	}
	if err := g.ready(); err != nil {
		return err
	}
	ohm, sd, err := g.minute()
	if err != nil {
		return err
	}
	clean := g.mem.Base.CleanOhm
	if clean > 0 && ohm > mixFallFrac*clean {
		return fmt.Errorf("calibrate: %.0f ohm, and %.0f in clean air: the sensor has not seen the mix; let it flow on under the hood", ohm, clean)
	}
	r := GasRecord{GasConstants: GasConstants{R0Ohm: ohm / (g.p.CurveA * math.Pow(mix.Ppm, g.p.CurveB)), TestMix: true},
		Ohm: ohm, SDFrac: sd, MixPpm: mix.Ppm, MixGas: mix.Gas}
	if ratio := clean / r.R0Ohm / g.p.CleanAirRatio; clean > 0 && (ratio > classOffTimes || ratio < 1/classOffTimes) {
		return fmt.Errorf("calibrate: clean air is %.2g times what the data sheet gives for this mix: the mix, the curve in [gas] or the sensor is another", ratio)
	}
	e.gasDone(r, actor)
	return nil
}

func (e *Estimator) gasDone(r GasRecord, actor string) {
	r.Made = e.cal.when(actor)
	e.cal.gas = keep(e.cal.gas, r)
	e.cal.untilS = e.upS + sessionLastsS
	e.useGas()
	e.note(sensors.GasV, r.Says())
}

// Says is the record in one line.
func (r GasRecord) Says() string {
	switch {
	case r.R0Ohm == 0:
		return "the reference is the cleanest air seen; bands err early and no %LEL is shown"
	case r.TestMix:
		return fmt.Sprintf("R0 %.0f ohm by %.0f ppm of %s; %%LEL may be shown", r.R0Ohm, r.MixPpm, r.MixGas)
	}
	return fmt.Sprintf("R0 %.0f ohm by clean air; bands err early and no %%LEL is shown", r.R0Ohm)
}

func (r GasRecord) plausible() bool { return r.R0Ohm >= 0 && r.R0Ohm <= 1e8 }

// useGas lets the last record hold, or the configuration.
func (e *Estimator) useGas() {
	p := e.params.Gas
	if n := len(e.cal.gas); n > 0 {
		p.R0Ohm, p.TestMix = e.cal.gas[n-1].R0Ohm, e.cal.gas[n-1].TestMix
	}
	again := newGasWatch(p, e.wiring)
	again.mem = e.gas.mem
	e.gas = again
}
