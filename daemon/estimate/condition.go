package estimate

import (
	"fmt"
	"math"
	"time"

	"frostline/sensors"
)

// How long a channel may be silent, in its own periods (layout.md, "Unknown is a value").
const (
	gracePeriods   = 3 // no fault yet: an empty cell is an ordinary thing
	unknownPeriods = 6 // then nothing is known any more
)

// longestTick bounds how far a slow tick stretches a channel's period: a scale wired at
// 1 s that is read in ticks of 10 s is not late. A longer pause of the loop is a gap.
const longestTick = 10 * time.Second

// goodAgain is how many accepted readings in a row make a channel Good again after it
// was Bad, Missing or Suspect: one could be the fault's next trick, three of a code-tested
// value are not, and at 1 Hz nobody waits. A switch needs one: the certified alarm's
// contact must be believed in the tick it closes. Common practice, no source.
const (
	goodAgain       = 3
	goodAgainSwitch = 1
)

// class sorts channels by the ways they lie.
type class uint8

const (
	classHealth class = iota // the program's own numbers
	classSwitch
	classLoad
	classGas
	classVolt
	classTemp
	classHumidity
	classBaro
)

func classOf(ch sensors.Channel) class {
	switch {
	case ch.IsSwitch():
		return classSwitch
	case ch.IsHealth():
		return classHealth
	case ch.IsTemp():
		return classTemp
	}
	switch ch {
	case sensors.LoadCounts:
		return classLoad
	case sensors.GasV:
		return classGas
	case sensors.HumidityPct:
		return classHumidity
	case sensors.BaroKPa:
		return classBaro
	}
	return classVolt
}

// verdict is what a rule says of one number before the channel's quality is worked out.
// The zero verdict is "accepted, nothing to say". A refused reading never becomes a
// channel's value; a doubted one does, and makes the channel Suspect.
type verdict struct {
	refused bool
	atOnce  bool // Bad now: the last readings that were accepted belong to the fault
	why     string
}

func refuse(why string) verdict { return verdict{refused: true, why: why} }
func doubt(why string) verdict  { return verdict{why: why} }

// conditioner judges every reading of a tick: it turns each fault and each impossible
// code into a quality with its reason, and keeps the last value that could be believed.
//
// One refused reading does not make a channel Bad. Its last accepted value stands, as it
// does through an empty cell, until it is three periods old; then the channel is Bad if
// the readings were refused and Suspect if there were none, and unknown after six periods
// of silence. Only codes that prove the accepted readings before them wrong (a stuck ADC)
// act at once.
type conditioner struct {
	chans []channel
	state []ChannelState
	fresh []bool
	told  []Happening
	up    time.Duration // of the last tick
	begun bool
	ix    indexes
	cross crossMemory
}

// channel is one wire and everything remembered about it.
type channel struct {
	wire  sensors.Wire
	class class
	need  int // accepted readings in a row that make it Good again
	mem   channelMemory

	judge func(c *channel, up time.Duration, v float64) verdict
	load  loadLimits // classLoad
	topV  float64    // classGas: beyond this no divider can be
	railV float64    // classGas: from here a code may stand still, for it is at the rail
}

// channelMemory is the part of a channel that a checkpoint keeps.
type channelMemory struct {
	Quality  sensors.Quality `json:"quality"`
	Why      string          `json:"why,omitempty"`
	Seen     bool            `json:"seen,omitzero"`
	Value    float64         `json:"value,omitzero"`
	LastUp   time.Duration   `json:"last_up,omitzero"`
	Faulted  bool            `json:"faulted,omitzero"` // the newest number or fault was refused
	FaultUp  time.Duration   `json:"fault_up,omitzero"`
	Late     bool            `json:"late,omitzero"` // Suspect or Missing because of silence
	GoodN    int             `json:"good_n,omitzero"`
	HeardN   int             `json:"heard_n,omitzero"`   // numbers heard since power-on
	ReadsN   uint64          `json:"reads_n,omitzero"`   // accepted since the first start
	RefusedN uint64          `json:"refused_n,omitzero"` // faults and impossible values since the first start
	Told     sensors.Quality `json:"told"`               // last quality in the log of events
	FirstUp  time.Duration   `json:"first_up,omitzero"`
	Frozen   bool            `json:"frozen,omitzero"` // stuck, until the value changes
	Run      sameRun         `json:"run,omitzero"`
	Recent   window9         `json:"recent,omitzero"` // load cell
	Outliers int             `json:"outliers,omitzero"`
	Jump     jump            `json:"jump,omitzero"` // thermometers, barometer
	Past     past            `json:"past,omitzero"` // thermometers, barometer
}

// conditionerState is a conditioner as a checkpoint holds it, in wiring order.
type conditionerState struct {
	Up       time.Duration  `json:"up"`
	Begun    bool           `json:"begun"`
	Cross    crossMemory    `json:"cross"`
	Channels []namedChannel `json:"channels"`
}

type namedChannel struct {
	Channel sensors.Channel `json:"channel"`
	channelMemory
}

// newConditioner prepares a judge for the channels of w. Params gives the scale of the
// load cell and the supply of the gas divider, for limits.
func newConditioner(w sensors.Wiring, p Params) *conditioner {
	c := &conditioner{
		chans: make([]channel, len(w)),
		state: make([]ChannelState, len(w)),
		fresh: make([]bool, len(w)),
		told:  make([]Happening, 0, len(w)),
		ix:    newIndexes(w),
	}
	for i, wire := range w {
		ch := channel{wire: wire, class: classOf(wire.Channel), need: goodAgain}
		ch.mem = channelMemory{Why: noReadingYet, Told: sensors.Good}
		switch ch.class {
		case classHealth:
			ch.judge, ch.need = judgeHealth, goodAgainSwitch
		case classSwitch:
			ch.judge, ch.need = judgeSwitch, goodAgainSwitch
		case classLoad:
			ch.judge, ch.load = judgeLoad, newLoadLimits(p.Scale)
		case classGas:
			ch.judge, ch.topV = judgeGas, max(adcTopV, 1.25*p.Gas.SupplyV)
			ch.railV = saturatedFrac * p.Gas.SupplyV
		case classTemp:
			ch.judge = judgeTemp
		case classHumidity:
			ch.judge = judgeHumidity
		case classBaro:
			ch.judge = judgeBaro
		case classVolt:
			ch.judge = judgeVolt
		}
		c.chans[i] = ch
		c.state[i].Channel = wire.Channel
		c.state[i].Why = noReadingYet
	}
	return c
}

const noReadingYet = "no reading yet"

// step judges one tick. It returns, in the order of the wiring, what is believed of each
// channel, and whether a new accepted value arrived in this tick. Both slices are reused
// between ticks. An Up smaller than the last one is a new boot: values of the old one
// are dropped, because nobody knows how long the van was dark.
func (c *conditioner) step(st sensors.Stamp, r []sensors.Reading) (state []ChannelState, fresh []bool) {
	if !c.begun || st.Up < c.up {
		c.boot(st.Up)
	}
	tick := min(st.Up-c.up, longestTick)
	c.up = st.Up
	c.told = c.told[:0]
	for i := range c.chans {
		ch := &c.chans[i]
		var reading sensors.Reading
		if i < len(r) {
			reading = r[i]
		}
		period := max(ch.wire.Period, tick)
		c.fresh[i] = ch.hear(st.Up, period, reading)
	}
	c.crossCheck(st.Up)
	for i := range c.chans {
		c.publish(i)
	}
	return c.state, c.fresh
}

// boot forgets what a power cut makes worthless. What has been learnt of a sensor's
// habits stays, and so does what the log of events was told.
func (c *conditioner) boot(up time.Duration) {
	for i := range c.chans {
		m := &c.chans[i].mem
		c.chans[i].mem = channelMemory{
			Why: noReadingYet, FirstUp: up,
			Told: m.Told, ReadsN: m.ReadsN, RefusedN: m.RefusedN,
			Run: sameRun{MeanS: m.Run.MeanS, RunsN: m.Run.RunsN},
		}
	}
	c.up, c.begun, c.cross = up, true, crossMemory{}
}

// hear takes one reading, works out the quality and says whether a new value was accepted.
func (ch *channel) hear(up, period time.Duration, r sensors.Reading) (fresh bool) {
	m := &ch.mem
	switch {
	case r.Quality == sensors.Missing:
		ch.silent(up, period)
		return false
	case r.Quality == sensors.Bad:
		word := r.Fault
		if word == "" {
			word = "fault without a word"
		}
		ch.refused(up, period, refuse(word))
		return false
	case math.IsNaN(r.Value) || math.IsInf(r.Value, 0):
		ch.refused(up, period, refuse("not a number"))
		return false
	}
	m.HeardN++
	m.Run.take(up, r.Value)
	v := ch.judge(ch, up, r.Value)
	if v.refused {
		ch.refused(up, period, v)
		return false
	}
	if v.why == "" && r.Quality == sensors.Suspect {
		v = doubt("the driver doubts it")
	}
	ch.accepted(up, r.Value, v)
	return true
}

// accepted makes value the channel's value. After trouble it takes need of them in a row,
// undoubted, before the channel is Good.
func (ch *channel) accepted(up time.Duration, value float64, v verdict) {
	m := &ch.mem
	first := !m.Seen
	m.ReadsN++
	m.Value, m.LastUp, m.Seen, m.Faulted, m.Late = value, up, true, false, false
	if v.why != "" {
		m.GoodN = 0
		m.set(sensors.Suspect, v.why)
		return
	}
	m.GoodN++
	if m.Quality == sensors.Good || m.GoodN >= ch.need || first && m.Quality == sensors.Missing {
		// The first value of a boot is Good at once unless faults came before it: it has
		// passed every test for codes, and a van that has just started must not look broken.
		m.set(sensors.Good, "")
		return
	}
	m.set(sensors.Suspect, recovering)
}

const recovering = "good again, not yet for long enough"

// refused notes a reading that must not become a value.
func (ch *channel) refused(up, period time.Duration, v verdict) {
	m := &ch.mem
	m.RefusedN++
	m.GoodN, m.Faulted, m.FaultUp, m.Late = 0, true, up, false
	if v.atOnce || !m.Seen || up-m.LastUp > gracePeriods*period {
		m.set(sensors.Bad, v.why)
	}
}

// silent lets the channel age. Refused readings that go quiet stay Bad until the last of
// them is itself six periods old.
func (ch *channel) silent(up, period time.Duration) {
	m := &ch.mem
	last := m.FirstUp
	if m.Seen {
		last = m.LastUp
	}
	if m.Faulted {
		last = max(last, m.FaultUp)
	}
	switch age := up - last; {
	case age > unknownPeriods*period:
		if m.Late && m.Quality == sensors.Missing {
			return
		}
		m.GoodN, m.Late = 0, true
		m.set(sensors.Missing, silence(m.Seen || m.Faulted, age))
	case age > gracePeriods*period && m.Seen && m.Quality != sensors.Bad && !m.Late:
		m.GoodN, m.Late = 0, true
		m.set(sensors.Suspect, silence(true, age))
	}
}

func silence(heard bool, age time.Duration) string {
	if !heard {
		return "no reading since the start"
	}
	return fmt.Sprintf("no reading for %.0f s", age.Seconds())
}

// set keeps the first reason of a fault: its word may change every second, and the log
// gets one line per change of quality.
func (m *channelMemory) set(q sensors.Quality, why string) {
	if q == m.Quality && q == sensors.Bad {
		return
	}
	m.Quality, m.Why = q, why
}

// publish copies channel i to the slice handed out, and notes a change of quality for the
// log of events. Getting well is told when it is complete, and a power-on code in the
// first three periods of a boot is not news.
func (c *conditioner) publish(i int) {
	m := &c.chans[i].mem
	c.state[i] = ChannelState{
		Channel: c.chans[i].wire.Channel, Quality: m.Quality, Why: m.Why,
		LastUp: m.LastUp, Seen: m.Seen, Value: m.Value, ReadsN: m.ReadsN, RefusedN: m.RefusedN,
	}
	starting := !m.Seen && c.up-m.FirstUp <= gracePeriods*c.chans[i].wire.Period
	if m.Quality == m.Told || m.Why == recovering || m.Why == noReadingYet || starting {
		return
	}
	m.Told = m.Quality
	c.told = append(c.told, Happening{
		Kind: SensorChanged, Channel: string(c.chans[i].wire.Channel),
		Quality: m.Quality.String(), Why: m.Why,
	})
}

// happened lists the changes of quality of this tick, in wiring order. The slice is
// reused by the next step.
func (c *conditioner) happened() []Happening { return c.told }

// save is everything the conditioner knows, so that a recording can go on from it.
func (c *conditioner) save() conditionerState {
	s := conditionerState{Up: c.up, Begun: c.begun, Cross: c.cross, Channels: make([]namedChannel, len(c.chans))}
	for i := range c.chans {
		s.Channels[i] = namedChannel{c.chans[i].wire.Channel, c.chans[i].mem}
	}
	return s
}

// sound reports whether the counters are ones a channel can have: an index out of range
// would be a panic at every start.
func (m *channelMemory) sound() bool {
	w, p := &m.Recent, &m.Past
	return w.N >= 0 && w.N <= len(w.V) && w.Next >= 0 && w.Next < len(w.V) &&
		p.N >= 0 && p.N <= len(p.V) && p.Next >= 0 && p.Next < len(p.V)
}

// restore takes back what save gave. Channels are matched by name, because the wiring may
// have changed; one that is new starts afresh.
func (c *conditioner) restore(s conditionerState) {
	c.up, c.begun, c.cross = s.Up, s.Begun, s.Cross
	for i := range c.chans {
		c.chans[i].mem.FirstUp = s.Up
		for j := range s.Channels {
			if s.Channels[j].Channel == c.chans[i].wire.Channel && s.Channels[j].sound() {
				c.chans[i].mem = s.Channels[j].channelMemory
			}
		}
	}
}
