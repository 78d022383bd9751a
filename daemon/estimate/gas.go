package estimate

import (
	"time"

	"frostline/sensors"
)

// Times of the gas watch (sensing.md 1.3, 2.3 and 2.5).
const (
	gasWarmUp      = 3 * time.Minute  // the power-on transient looks like gas: blind
	gasSettled     = 15 * time.Minute // before it the baseline stands still
	gasGoodFor     = 60 * time.Second // blind lasts this long beyond the fault
	heaterOpenFor  = 60 * time.Second
	warningIsLeave = 10 * time.Minute
	noiseLearnTime = time.Hour
	noiseTime      = time.Minute
	noiseSpacing   = 2 * time.Second
)

// Signal limits of sensing.md 2.5, as fractions of the divider's supply.
const (
	unpluggedFrac  = 0.02
	saturatedFrac  = 0.98
	heaterOpenFrac = 0.25 // of the volts in clean air
	noiseTimes     = 5    // of the learned noise
	noiseFloorFrac = 0.01 // of the supply; less is never called noise, engineering judgement
	supplyOffFrac  = 0.1  // measured supply against the configured one
	heaterLowV     = 4.8
	heaterHighV    = 5.2
)

// Reasons and faults. They are constants because one is written each tick.
const (
	gasNotFitted   = "no gas sensor is wired"
	gasNoDivider   = "the supply and load resistor of the gas divider are not configured"
	gasWarming     = "the gas sensor is warming up; its signal means nothing yet"
	gasLearning    = "no clean-air reference yet: the first one is taken about 20 min after power-on"
	gasProving     = "the gas sensor is back; it must be good for 60 s"
	gasUnplugged   = "gas sensor unplugged: no signal over its resistor"
	gasRail        = "gas input at its supply: saturated, or a wire is off"
	gasHeaterOpen  = "gas sensor heater open or unpowered: cleaner than clean air"
	gasHeaterOff   = "gas sensor heater outside 4.8 to 5.2 V"
	gasSupplyOff   = "gas divider supply more than a tenth off"
	gasNoise       = "gas input floating: far noisier than it was"
	bandBackground = "below the trace level here; it says nothing about other places"
	bandIndicative = "below the trace level here by an indicative scale without test gas; it says nothing about other places"
	bandDrifted    = "below the trace level here, but the sensor has drifted 30 % since commissioning: have it checked"
	bandTrace      = "vapours of some kind, for 5 min"
	bandDrift      = "the cleanest air of the last day shows twice the vapour of the day before"
	bandWarning    = "the signal is above the pre-warning level, or rose fast"
	bandLeave      = "the signal is above the leave level"
	bandLong       = "pre-warning for 10 min"
)

// gasWatch turns the floor sensor's divider volts into a band. It is two judges of one
// sensor: the absolute channel compares the resistance with a reference that never
// follows the signal down, so no leak is ever absorbed; the relative channel compares it
// with a baseline of days that may move by 1 % a day (sensing.md 2.4). The higher level
// counts.
//
// Without an R0 from a test mix the absolute channel is provisional: its reference is the
// cleanest air this van has shown, its thresholds are lower, and no %LEL is given,
// because a sheet's clean-air ratio that is off by 2 misplaces every level by 5.6
// (sensing.md 2.1). A van that powers on in a leak takes vapour for clean air; that is
// bounded by the least plausible resistance of the part class and by the reference
// moving up as soon as the air clears.
type gasWatch struct {
	p           Gas
	ix          indexes
	steps       gasThresholds
	provisional bool
	mem         gasState
}

// gasState is a gas watch as a checkpoint holds it. A boot keeps Base only.
type gasState struct {
	Begun     bool          `json:"begun"`
	Up        time.Duration `json:"up"`
	PowerUp   time.Duration `json:"power_up"`
	NewestUp  time.Duration `json:"newest_up"` // of the newest reading
	Base      gasBase       `json:"base"`
	Recent    recentOhm     `json:"recent"`
	Ohm       float64       `json:"ohm"`    // newest resistance, corrected
	Factor    float64       `json:"factor"` // the correction in it
	Faulted   bool          `json:"faulted"`
	UsableUp  time.Duration `json:"usable_up"` // since when the signal has been usable again
	Saturated bool          `json:"saturated"`
	Cold      bool          `json:"cold"`    // the fault of the last tick left the sensor unheated
	OpenUp    time.Duration `json:"open_up"` // since when cleaner than clean air
	Open      bool          `json:"open"`
	Noise     gasNoiseMeter `json:"noise"`
	Hold      gasLevel      `json:"hold"`
	AtLeast   [4]held       `json:"at_least"` // how long Hold has been at least each level
	Band      GasBand       `json:"band"`
	BandUp    time.Duration `json:"band_up"`
}

// held says since when something has been true.
type held struct {
	On bool          `json:"on"`
	Up time.Duration `json:"up"`
}

func (h *held) note(on bool, up time.Duration) {
	if on && !h.On {
		h.Up = up
	}
	h.On = on
}

func (h *held) forAtLeast(up, d time.Duration) bool { return h.On && up-h.Up >= d }

// newGasWatch prepares a watch. Zero curve fields take the part class of sensing.md 2.1.
func newGasWatch(p Gas, w sensors.Wiring) *gasWatch {
	if p.CurveA == 0 || p.CurveB == 0 {
		p.CurveA, p.CurveB = classCurveA, classCurveB
	}
	if p.CleanAirRatio == 0 {
		p.CleanAirRatio = classCleanAirRatio
	}
	provisional := p.R0Ohm <= 0 || !p.TestMix
	return &gasWatch{p: p, ix: newIndexes(w), steps: thresholds(provisional), provisional: provisional}
}

func (g *gasWatch) save() gasState { return g.mem }

// restore takes back what save gave; a state that no watch can be in is refused, because
// a cold start is blind for minutes and a panic would be for good.
func (g *gasWatch) restore(s gasState) {
	b := &s.Base
	if s.Hold < levelBackground || s.Hold > levelLeave || s.Factor < 0 || s.Ohm < 0 || !s.Recent.sound() ||
		b.BlocksN < 0 || b.SamplesN < 0 || b.SamplesN >= blockSamples || b.Ohm < 0 || b.CleanOhm < 0 || b.SeenOhm < 0 {
		return
	}
	g.mem = s
}

// step takes one tick and fills the gas fields of out. It reads the burn and the weight
// watch of out, if they are filled by then, to leave cooking and losses out of the
// baseline. An Up smaller than the last one is a new boot, and a new warm-up.
func (g *gasWatch) step(st sensors.Stamp, state []ChannelState, fresh []bool, out *Estimates) {
	m := &g.mem
	dt := st.Up - m.Up
	if !m.Begun || st.Up < m.Up {
		*m = gasState{Begun: true, PowerUp: st.Up, Base: m.Base, Band: Blind, BandUp: st.Up}
		m.Base.startBlock()
		dt = 0
	}
	m.Up = st.Up
	fault := g.fault(st.Up, state, fresh)
	cold := g.unheated(fault, state)
	if m.Cold && !cold {
		m.PowerUp = st.Up // heated again: the same transient as at power-on
	}
	m.Cold = cold
	on := st.Up - m.PowerUp
	g.warm(on, fault, out)
	level := g.level(st.Up, on, fault, state, fresh)
	g.settleBand(st.Up, on, fault, level, out)
	if fault == "" && on >= gasSettled && fresh[g.ix.gas] {
		g.learn(st.Up, dt, state, out)
	}
	out.GasFault = fault
	out.FloorGasPctLEL = g.pctLEL(st.Up, on, fault, state)
}

// fault is the first reason, in the order of danger, that the signal is not one of a
// working sensor; empty if there is none. A saturated input is both a fault and a level.
func (g *gasWatch) fault(up time.Duration, state []ChannelState, fresh []bool) string {
	m := &g.mem
	if g.ix.gas < 0 {
		return gasNotFitted
	}
	if g.p.SupplyV <= 0 || g.p.LoadOhm <= 0 {
		return gasNoDivider
	}
	s := &state[g.ix.gas]
	vc, vcOff := g.supplyV(state)
	if s.Seen && fresh[g.ix.gas] {
		m.NewestUp, m.Saturated = s.LastUp, s.Value > saturatedFrac*vc
	}
	switch {
	case m.Saturated && s.Quality >= sensors.Suspect:
		return gasRail
	case s.Seen && s.Value < unpluggedFrac*vc:
		return gasUnplugged
	case s.Why == noReadingYet && up-m.PowerUp < gasWarmUp:
		return "" // warming up is reason enough
	case s.Quality < sensors.Good && s.Why != recovering:
		return s.Why
	case vcOff:
		return gasSupplyOff
	case g.heaterOff(state):
		return gasHeaterOff
	}
	if fresh[g.ix.gas] {
		clean := g.referenceOhm()
		open := clean > 0 && s.Value < heaterOpenFrac*vc*g.p.LoadOhm/(g.p.LoadOhm+clean)
		if open && !m.Open {
			m.OpenUp = up
		}
		m.Open = open
		m.Noise.take(up, s.Value, noiseFloorFrac*vc)
	}
	switch {
	case m.Open && up-m.OpenUp >= heaterOpenFor:
		return gasHeaterOpen
	case m.Hold == levelBackground && m.Noise.tooMuch(noiseFloorFrac*vc):
		// Gas drifting past is noisy too, so noise is no excuse at trace and above.
		return gasNoise
	}
	return ""
}

// supplyV is the divider's supply, measured if that is wired and known, and whether it is
// off.
func (g *gasWatch) supplyV(state []ChannelState) (v float64, off bool) {
	if i := g.ix.gasSupply; i >= 0 {
		if state[i].Quality >= sensors.Suspect {
			v = state[i].Value
			return v, v < (1-supplyOffFrac)*g.p.SupplyV || v > (1+supplyOffFrac)*g.p.SupplyV
		}
		// A supply that reads nothing at all is off; one not heard yet, or whose own ADC
		// is silent, says nothing about the gas signal.
		return g.p.SupplyV, state[i].Quality == sensors.Bad && state[i].Why == noVoltage
	}
	return g.p.SupplyV, false
}

func (g *gasWatch) heaterOff(state []ChannelState) bool {
	i := g.ix.gasHeater
	if i < 0 {
		return false
	}
	s := &state[i]
	if s.Quality < sensors.Suspect {
		return s.Quality == sensors.Bad && s.Why == noVoltage
	}
	return s.Value < heaterLowV || s.Value > heaterHighV
}

// unheated reports a fault that cools the sensor: it warms up again afterwards.
func (g *gasWatch) unheated(fault string, state []ChannelState) bool {
	gone := func(i int) bool { return i >= 0 && state[i].Why == noVoltage }
	switch fault {
	case gasUnplugged, gasHeaterOpen:
		return true
	case gasHeaterOff, gasSupplyOff:
		return gone(g.ix.gasHeater) || gone(g.ix.gasSupply)
	}
	return false
}

// degraded reports a fault that makes the air look cleaner or moves the scale: it hides
// background, but gas that is seen in spite of it is shown.
func degraded(fault string) bool { return fault == gasHeaterOff || fault == gasSupplyOff }

// level is the level of the signal now, and levelBlind if the signal says nothing.
func (g *gasWatch) level(up, on time.Duration, fault string, state []ChannelState, fresh []bool) gasLevel {
	m := &g.mem
	m.usable(up, fault)
	switch {
	case fault == gasRail && on >= gasWarmUp:
		m.Hold = levelLeave
		return levelLeave
	case fault != "" && !degraded(fault) || on < gasWarmUp || !state[g.ix.gas].Seen:
		return levelBlind
	}
	if fresh[g.ix.gas] {
		vc, _ := g.supplyV(state)
		v := state[g.ix.gas].Value
		m.Factor = g.correction(on, state)
		raw := g.p.LoadOhm * (vc - v) / v
		m.Ohm = raw / m.Factor
		m.Recent.take(up, raw)
		g.see(up, on)
	}
	return g.judge(up, on)
}

// see remembers the cleanest minute of a sensor that has no reference yet. Gas that comes while
// it settles must not become what it takes for clean air. The transient of power-on looks like
// gas, so a minute can be too dirty and never too clean, which would only make alarms earlier.
func (g *gasWatch) see(up, on time.Duration) {
	m := &g.mem
	if g.referenceOhm() > 0 || on < gasWarmUp+fastRiseWithin {
		return
	}
	if ohm, ok := m.Recent.lowest(up, fastRiseWithin); ok {
		m.Base.SeenOhm = max(m.Base.SeenOhm, ohm/m.Factor)
	}
}

// usable notes whether the signal can be used and since when.
func (m *gasState) usable(up time.Duration, fault string) {
	if fault != "" {
		m.Faulted = true
		m.Recent = recentOhm{}
		if fault != gasNoise {
			m.Noise.N = 0
		}
		return
	}
	if m.Faulted {
		m.Faulted, m.UsableUp = false, up
	}
}

// learn lets the baseline and the noise follow a quiet, settled signal.
func (g *gasWatch) learn(up, dt time.Duration, state []ChannelState, out *Estimates) {
	m := &g.mem
	if m.Hold == levelBackground {
		m.Noise.learn(dt)
	}
	_, known := g.weather(state)
	cooking := out.OtherKgPerH.Known() && out.OtherKgPerH.Low > 0
	if !known || cooking || out.Watch.Suspected {
		return
	}
	if m.Hold > levelTrace || m.Hold == levelTrace && !m.Base.Drifting {
		// Vapour is no clean air. A trace by drift alone goes on: nothing else could end it.
		return
	}
	m.Base.take(up, m.Ohm, g.commissionedOhm())
}

// warm says how long the sensor cannot be judged yet: 3 min, and without any reference
// until the first one can be there.
func (g *gasWatch) warm(on time.Duration, fault string, out *Estimates) {
	until := gasWarmUp
	if fault == "" && g.referenceOhm() == 0 {
		until = gasSettled + sampleTime + time.Minute // the last for readings that come late
	}
	out.WarmingUp = g.ix.gas >= 0 && on < until
	out.WarmLeft = 0
	if out.WarmingUp {
		out.WarmLeft = until - on
	}
}

// settleBand works out what people are shown: a level shows when it has lasted as long as
// the table of sensing.md 1.3 says (5 min, 30 s, 5 s), so one bad sample cannot show
// "leave", and falls with its clear threshold. Blind wins over every level, except that a
// saturated input shows leave, that gas seen by a badly supplied sensor is shown, and that a usable signal shows its level while it is still
// being proved or has no reference yet. Lasting is counted from reading to reading: one
// bad sample of a sensor read every ten seconds lasts no time at all.
func (g *gasWatch) settleBand(up, on time.Duration, fault string, level gasLevel, out *Estimates) {
	m := &g.mem
	for l := levelTrace; l <= levelLeave; l++ {
		m.AtLeast[l].note(m.Hold >= l, m.NewestUp)
	}
	shown, why := g.lasting(m.NewestUp)
	if blind := g.blind(up, on, fault, shown); blind != "" {
		shown, why = Blind, blind
	} else if fault == gasRail {
		why = gasRail
	}
	if shown != m.Band {
		m.Band, m.BandUp = shown, up
	}
	out.Band, out.BandWhy, out.GasSinceUp = shown, why, m.BandUp
	out.GasLevel, out.GasHold = level.band(), m.Hold.band()
	if shown == Blind && level == levelBackground {
		out.GasLevel = Blind // "nothing above trace" would rest on a signal that is not proved
	}
	out.WarningForS = 0
	if m.AtLeast[levelWarning].On {
		out.WarningForS = (up - m.AtLeast[levelWarning].Up).Seconds()
	}
}

// lasting is the highest level that has lasted, and why.
func (g *gasWatch) lasting(up time.Duration) (GasBand, string) {
	m := &g.mem
	lasted := func(l gasLevel, d time.Duration) bool { return m.AtLeast[l].forAtLeast(up, d) }
	switch {
	case lasted(levelLeave, levelLeave.onDelay()):
		return Leave, bandLeave
	case lasted(levelWarning, warningIsLeave):
		return Leave, bandLong
	case lasted(levelWarning, levelWarning.onDelay()):
		return Warning, bandWarning
	case lasted(levelTrace, levelTrace.onDelay()) && m.Base.Drifting:
		return Trace, bandDrift
	case lasted(levelTrace, levelTrace.onDelay()):
		return Trace, bandTrace
	case m.Base.Limited && g.commissionedOhm() > 0:
		return Background, bandDrifted
	case g.provisional:
		return Background, bandIndicative
	}
	return Background, bandBackground
}

// blind is the reason for not watching, empty when watching.
func (g *gasWatch) blind(up, on time.Duration, fault string, shown GasBand) string {
	m := &g.mem
	proving := m.UsableUp-m.PowerUp > gasWarmUp && up-m.UsableUp < gasGoodFor
	switch {
	case fault != "" && fault != gasRail && (!degraded(fault) || shown == Background):
		return fault
	case on < gasWarmUp:
		return gasWarming
	case fault == gasRail && shown != Leave:
		return gasRail
	case shown != Background:
		return ""
	case g.referenceOhm() == 0:
		return gasLearning
	case proving:
		return gasProving
	}
	return ""
}
