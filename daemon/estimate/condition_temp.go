package estimate

import (
	"math"
	"time"

	"frostline/sensors"
)

// Thermometer limits (sensing.md 4.3 unless another place is named).
const (
	tempLowC     = -45.0
	tempHighC    = 70.0
	airKPerMin   = 3.0  // air
	probeKPerMin = 10.0 // a probe on metal: hot water, a started burner
	jumpFloorK   = 1.0  // allowed at any pace: noise and the last digit
	jumpsAgree   = 3    // this many readings near each other are a step and not a glitch
	stepK        = 8.0  // in stepWindow is a doubt (estimation.md 2)
	stepWindow   = 10 * time.Minute
	nearCodeK    = 1.0              // a 0.000 reached from this near is weather
	codeRepeats  = 10 * time.Minute // an unchanging 0.000 longer than this is doubted
	silentAfter  = 15 * time.Minute // see sameRun.unlike
	silentReadN  = 20
	silentRunsN  = 20
	silentFactor = 20
	pastStep     = 10 * time.Minute
)

// judgeTemp tests one temperature. 85.000, 127.9375, -127 and -273.15 are never weather
// in a van, so they are always refused. 0.000 and -0.0625 are weather every winter night,
// so they are refused only when nothing believed leads there, and doubted when they stay
// exact for ten minutes; a different value ends both.
func judgeTemp(c *channel, up time.Duration, v float64) verdict {
	m := &c.mem
	switch v {
	case 85:
		return refuse("85.000: power-on code, nothing was converted")
	case 127.9375:
		return refuse("127.9375: not enough supply to convert")
	case -127:
		return refuse("-127: code of a missing thermometer")
	case -273.15:
		return refuse("-273.15: code of a failed read")
	}
	if v < tempLowC || v > tempHighC {
		return refuse("outside -45 to 70 C")
	}
	code := v == 0 || v == -0.0625
	if code && !(m.Seen && math.Abs(v-m.Value) <= nearCodeK) {
		return refuse("0.000 or -0.0625 out of nowhere: shorted line or first read")
	}
	perMin := airKPerMin
	if c.wire.Channel == sensors.ShellC || c.wire.Channel == sensors.RegulatorC {
		perMin = probeKPerMin
	}
	if w := c.tooFast(up, v, jumpFloorK, perMin); w.why != "" {
		return w
	}
	run := m.Run.lasted(up)
	moved := m.Past.take(up, v)
	switch {
	case code && run >= codeRepeats:
		return doubt("unchanged on a code of a shorted line")
	case m.Run.unlike(run):
		return doubt("unchanged far longer than it ever was")
	case moved > stepK && c.wire.Channel != sensors.CabinC:
		// The cabin is excepted: a heater started in a cold van does this every evening.
		return doubt("moved more than 8 K in 10 min")
	}
	return verdict{}
}

// tooFast refuses a value that the last believed one cannot have become at this pace,
// until jumpsAgree readings near each other say that it has.
func (ch *channel) tooFast(up time.Duration, v, floor, perMin float64) verdict {
	m := &ch.mem
	if !m.Seen || math.Abs(v-m.Value) <= floor+perMin*(up-m.LastUp).Minutes() {
		m.Jump = jump{}
		return verdict{}
	}
	if m.Jump.N > 0 && math.Abs(v-m.Jump.Value) <= floor+perMin*(up-m.Jump.Up).Minutes() {
		m.Jump.N++
	} else {
		m.Jump.N = 1
	}
	m.Jump.Value, m.Jump.Up = v, up
	if m.Jump.N < jumpsAgree {
		return refuse("jumped faster than it can")
	}
	m.Jump = jump{}
	m.Past = past{}
	return doubt("jumped, and stayed there")
}

// jump is a run of refused values that may turn out to be true.
type jump struct {
	N     int           `json:"n"`
	Value float64       `json:"value"`
	Up    time.Duration `json:"up"`
}

// sameRun counts equal values in a row and learns how long such runs usually last.
type sameRun struct {
	Value float64       `json:"value"`
	N     int           `json:"n"`
	Since time.Duration `json:"since"`
	MeanS float64       `json:"mean_s"`
	RunsN int           `json:"runs_n"`
}

// take counts v. A run that is far too long teaches no more than twice the usual, so a
// stuck sensor cannot make itself usual.
func (r *sameRun) take(up time.Duration, v float64) {
	if r.N > 0 && v == r.Value {
		r.N++
		return
	}
	if r.N > 0 {
		r.RunsN = min(r.RunsN+1, 500)
		s := (up - r.Since).Seconds()
		if r.RunsN > silentRunsN {
			s = min(s, 2*r.MeanS)
		}
		r.MeanS += (s - r.MeanS) / float64(r.RunsN)
	}
	r.Value, r.N, r.Since = v, 1, up
}

func (r *sameRun) lasted(up time.Duration) time.Duration {
	if r.N == 0 {
		return 0
	}
	return up - r.Since
}

// unlike reports a run of equal values of at least 15 min and 20 readings that is twenty
// times longer than this channel's runs usually are. sensing.md 4.3 waits 2 h for another
// thermometer to move; a sensor with a noisy last digit is found out sooner. A coarse or
// very quiet one has long runs, is never unlike itself and is left to the 2 h rule.
// Common practice, no source.
func (r *sameRun) unlike(run time.Duration) bool {
	return run >= silentAfter && r.N >= silentReadN && r.RunsN >= silentRunsN &&
		run.Seconds() >= silentFactor*r.MeanS
}

// past is a channel's value every ten minutes for two hours.
type past struct {
	V    [12]float64   `json:"v"`
	N    int           `json:"n"`
	Next int           `json:"next"`
	Up   time.Duration `json:"up"` // of the newest
}

// take notes v when ten minutes have passed and returns how far v is from the newest note.
func (p *past) take(up time.Duration, v float64) (moved float64) {
	if p.N > 0 {
		newest := p.V[(p.Next+len(p.V)-1)%len(p.V)]
		if up-p.Up < pastStep {
			return math.Abs(v - newest)
		}
		if up-p.Up > 2*pastStep {
			*p = past{} // a gap: what was before says nothing about pace
		}
	}
	p.V[p.Next] = v
	p.Next = (p.Next + 1) % len(p.V)
	p.N = min(p.N+1, len(p.V))
	p.Up = up
	return 0
}

// span is highest less lowest of the last n notes, and whether there are that many.
func (p *past) span(n int) (float64, bool) {
	if p.N < n {
		return 0, false
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := 1; i <= n; i++ {
		v := p.V[(p.Next+len(p.V)-i)%len(p.V)]
		low, high = min(low, v), max(high, v)
	}
	return high - low, true
}
