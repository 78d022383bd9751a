package announce

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// Line is one output line: a sounder, a lamp, or a stand-in for them. Out may block; what
// it is called by is held up and nothing else.
type Line interface {
	Out(on bool) error
}

// BuzzerOptions is what [NewBuzzer] needs.
type BuzzerOptions struct {
	Sounder Line           // nil: none is fitted, and nothing here can wake anyone
	Lamp    Line           // nil: none
	Tested  bool           // someone heard this sounder at a drill, by the state kept
	Zone    *time.Location // of the weekly test; nil is UTC
	Log     *slog.Logger
}

// The weekly test sounds at Saturday noon, when people are awake and about. Without a
// clock to believe, and when Saturdays were missed, it comes every eight days of running.
const (
	testDay   = time.Saturday
	testHour  = 12
	testGap   = 24 * time.Hour
	testEvery = 8 * 24 * time.Hour
)

// deadAfter is how long a tick may be late before the sounder says so: ticks are 1 to 10 s
// apart.
const deadAfter = 10 * time.Second

// stuckAfter is how long a line may take to switch before it counts as broken.
const stuckAfter = 2 * time.Second

// Buzzer sounds what the snapshots say should sound. It needs no store, broker or network.
// When no snapshot has come for ten seconds it sounds by itself: a dead monitor must not be
// a quiet one.
type Buzzer struct {
	log    *slog.Logger
	zone   *time.Location
	sound  *player // nil: not fitted
	lamp   *player
	tested bool

	mu       sync.Mutex
	last     *core.Snapshot
	drill    pattern   // what a person asked for
	until    time.Time // when the drill is over
	drillN   int
	testedUp time.Duration // Up of the last weekly test
	testBoot string        // of it
}

// NewBuzzer makes a buzzer; Run makes it sound.
func NewBuzzer(o BuzzerOptions) *Buzzer {
	b := &Buzzer{log: o.Log, zone: o.Zone, tested: o.Tested}
	if b.log == nil {
		b.log = slog.New(slog.DiscardHandler)
	}
	if b.zone == nil {
		b.zone = time.UTC
	}
	if o.Sounder != nil {
		b.sound = newPlayer("sounder", o.Sounder, deadSound(), b.log)
	}
	if o.Lamp != nil {
		b.lamp = newPlayer("lamp", o.Lamp, deadLight(), b.log)
	}
	return b
}

// Run drives the lines until ctx ends and leaves them off. Each line has a goroutine of
// its own, so a lamp that hangs does not silence the sounder. A line that hangs then is
// left behind.
func (b *Buzzer) Run(ctx context.Context) error {
	var ended []chan struct{}
	for _, p := range []*player{b.sound, b.lamp} {
		if p == nil {
			continue
		}
		end := make(chan struct{})
		ended = append(ended, end)
		go func() {
			defer close(end)
			p.run(ctx)
		}()
	}
	<-ctx.Done()
	late := time.NewTimer(stuckAfter)
	defer late.Stop()
	for _, end := range ended {
		select {
		case <-end:
		case <-late.C:
			return errors.New("buzzer: a line does not answer and may still be on")
		}
	}
	return nil
}

// Deliver takes a snapshot. It never blocks.
func (b *Buzzer) Deliver(s *core.Snapshot) {
	now := time.Now()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.last = s
	if top(s) == nil && b.testDue(s) && !now.Before(b.until) {
		b.testedUp, b.testBoot = s.Stamp.Up, s.Boot
		b.start(now, testSound(), "weekly test tone")
	}
	b.plan(now)
	for _, p := range []*player{b.sound, b.lamp} {
		if p != nil {
			p.ticked(now)
		}
	}
}

// DrillStopped is the sound of a monitor that no longer ticks, beside those of the priorities.
const DrillStopped = "stopped"

// Drill plays a sound twice, for someone to hear and know: that of a priority by its word,
// or DrillStopped. It returns how long it takes until the last tone has ended. An alarm that
// sounds, now or meanwhile, goes first.
func (b *Buzzer) Drill(sound string) (time.Duration, error) {
	var steps []step
	for _, p := range [...]alerts.Priority{alerts.Critical, alerts.High, alerts.Medium} {
		if p.String() == sound {
			steps = twice(soundOf(p))
		}
	}
	if sound == DrillStopped {
		steps = twice(deadSound())
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case steps == nil:
		return 0, fmt.Errorf("drill: there is no sound %q; there is critical, high, medium and %s", sound, DrillStopped)
	case b.sound == nil:
		return 0, errors.New("drill: no sounder is configured, so nothing here can wake you: fit one")
	case b.last != nil && top(b.last) != nil:
		return 0, errors.New("drill: an alarm is sounding: see to it first")
	}
	now := time.Now()
	b.start(now, steps, "drill "+sound)
	b.plan(now)
	return length(steps[:len(steps)-1]), nil // the last step is a pause
}

// start begins a drill or test; mu is held.
func (b *Buzzer) start(now time.Time, steps []step, what string) {
	b.drillN++
	b.drill = pattern{key: fmt.Sprintf("%s %d", what, b.drillN), steps: steps, once: true, tone: true}
	b.until = now.Add(length(steps))
	b.log.Info("sounder test", "output", what)
}

// testDue reports whether the weekly tone should sound now; mu is held.
func (b *Buzzer) testDue(s *core.Snapshot) bool {
	if b.sound == nil {
		return false
	}
	ran := s.Stamp.Up // since the last test of this boot, or since it started
	tested := b.testBoot == s.Boot
	if tested {
		ran -= b.testedUp
	}
	if ran >= testEvery {
		return true
	}
	local := s.Stamp.Wall.In(b.zone)
	return s.Est.ClockTrusted && local.Weekday() == testDay && local.Hour() == testHour && (!tested || ran >= testGap)
}

// plan gives both lines what the last snapshot and the drill ask for; mu is held.
func (b *Buzzer) plan(now time.Time) {
	var sound, lamp pattern
	switch a := topOrNil(b.last); {
	case a != nil:
		sound = pattern{
			key:   fmt.Sprintf("%s %s %d", a.Priority, a.ID, soundsAt(b.last, a.Priority)),
			steps: soundOf(a.Priority), hold: a.Priority >= alerts.High, tone: true,
		}
		lamp = sound
	case now.Before(b.until):
		sound, lamp = b.drill, b.drill
	case b.last != nil && anyStanding(b.last):
		lamp = pattern{key: "standing", steps: standingLight()}
	}
	if b.sound != nil {
		b.sound.play(sound)
	}
	if b.lamp != nil {
		b.lamp.play(lamp)
	}
}

// Health reports 1 while a sounder is fitted, its line answers, and either someone heard it
// at a drill once or it has played a tone since the start.
func (b *Buzzer) Health(report func(sensors.Channel, sensors.Reading)) {
	ok := 0.0
	if b.sound != nil {
		if played, well := b.sound.health(time.Now()); well && (b.tested || played || b.heard()) {
			ok = 1
		}
	}
	report(sensors.SounderOK, sensors.Of(ok))
}

// heard reports whether somebody has said at a drill that they heard it.
func (b *Buzzer) heard() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.last != nil && b.last.Heard != nil
}

// top is the alarm of the highest priority that wants sound, the first in catalogue order,
// or nil.
func top(s *core.Snapshot) *alerts.Status {
	var best *alerts.Status
	for i := range s.Alarms {
		if a := &s.Alarms[i]; a.Sounding && (best == nil || a.Priority > best.Priority) {
			best = a
		}
	}
	return best
}

func topOrNil(s *core.Snapshot) *alerts.Status {
	if s == nil {
		return nil
	}
	return top(s)
}

// soundsAt counts how often the alarms that sound at that priority have begun to. It
// changes when another joins and when one sounds again; the pattern then starts over and is
// heard at once.
func soundsAt(s *core.Snapshot, p alerts.Priority) uint64 {
	var n uint64
	for i := range s.Alarms {
		if a := &s.Alarms[i]; a.Sounding && a.Priority == p {
			n += a.SoundN
		}
	}
	return n
}

func anyStanding(s *core.Snapshot) bool {
	for i := range s.Alarms {
		if s.Alarms[i].State.Standing() && !s.Alarms[i].Silent {
			return true
		}
	}
	return false
}
