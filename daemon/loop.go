package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"runtime/debug"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// Options wires a [Loop]. Core, Source and Log are needed, the rest may be left zero.
type Options struct {
	Core    *core.Core
	Wiring  sensors.Wiring
	Source  Source
	Outputs []Output      // in the order in which they matter to a sleeper: sounder, page, history, MQTT
	Boot    func() string // the boot the source is in; asked each tick
	Pace    time.Duration // real time between ticks; 0 takes them as fast as they come

	// Rebuild makes a core from a checkpoint after Step has panicked; cold asks for one
	// without the estimators' beliefs.
	Rebuild func(checkpoint []byte, cold bool) (*core.Core, error)
	// Committed waits until a tick is on disk. An order is answered only after that. Nil
	// means nothing is kept, as in a demo without a state directory.
	Committed func(ctx context.Context, tick uint64) error
	Record    func(core.Input) error // every input, before it is judged
	Notify    func(state string)     // sd_notify
	Log       *slog.Logger
}

const (
	readWithin   = 800 * time.Millisecond // of a tick of one second; the rest is for judging and delivery
	healthEvery  = 10 * time.Second
	commitWithin = 5 * time.Second // then the answer to an order says it is not kept
	panicAgain   = time.Minute     // a second panic this soon means the beliefs are poisoned
)

// Loop is the one goroutine that owns the core.
type Loop struct {
	o       Options
	inbox   chan order
	swap    chan change
	in      core.Input
	health  time.Duration // Up of the last health readings
	healthy bool
	failing bool // the recording cannot be written; said once

	checkpoint []byte
	panicked   time.Time
	rebuilt    int
}

// order is a command on its way in, and where its answer goes.
type order struct {
	cmd  core.Command
	ctx  context.Context // who gave it has gone when it ends; nil waits for ever
	done func(answer)
}

type answer struct {
	tick    uint64
	refused string
}

// change is a new core (and perhaps source) after the configuration has been read again.
type change struct {
	next func(checkpoint []byte) (Options, error)
	done chan error
}

// NewLoop makes a loop that has not ticked yet.
func NewLoop(o Options) *Loop {
	if o.Notify == nil {
		o.Notify = func(string) {}
	}
	return &Loop{o: o, inbox: make(chan order, 16), swap: make(chan change),
		in: core.Input{Readings: make([]sensors.Reading, len(o.Wiring))}}
}

// Do carries out one command in the next free tick and waits until it is on disk. The error
// says why it was refused, or that it could not be kept.
func (l *Loop) Do(ctx context.Context, cmd core.Command) error {
	if err := cmd.Check(); err != nil {
		return err
	}
	reply := make(chan answer, 1)
	select {
	case l.inbox <- order{cmd, ctx, func(a answer) { reply <- a }}:
	case <-ctx.Done():
		return fmt.Errorf("command %s: the monitor is busy, try again in a moment: %w", cmd.Verb(), ctx.Err())
	}
	select {
	case a := <-reply:
		if a.refused != "" {
			return errors.New(a.refused)
		}
		return l.kept(ctx, a.tick)
	case <-ctx.Done():
		return fmt.Errorf("command %s: no answer in time, look at what stands before you give it again: %w", cmd.Verb(), ctx.Err())
	}
}

// Later leaves a command for the next free tick without waiting. It is for callers inside an
// Output, which must not block; refused hears why it was not taken.
func (l *Loop) Later(cmd core.Command, refused func(why string)) {
	o := order{cmd, nil, func(a answer) {
		if a.refused != "" {
			refused(a.refused)
		}
	}}
	select {
	case l.inbox <- o:
	default:
		refused("the monitor is busy; try again in a moment")
	}
}

func (l *Loop) kept(ctx context.Context, tick uint64) error {
	if l.o.Committed == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, commitWithin)
	defer cancel()
	if err := l.o.Committed(ctx, tick); err != nil {
		return fmt.Errorf("%w (%w)", core.ErrNotKept, err)
	}
	return nil
}

// Swap replaces core and source between two ticks: next gets the newest state and returns
// the new wiring. On an error the old ones go on.
func (l *Loop) Swap(ctx context.Context, next func(checkpoint []byte) (Options, error)) error {
	c := change{next, make(chan error, 1)}
	select {
	case l.swap <- c:
		return <-c.done
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Run ticks until the context ends or the source does. It then lives one last tick that
// says the stop was in order, so that the next start does not report lost monitoring.
func (l *Loop) Run(ctx context.Context) error {
	var tick <-chan time.Time
	if l.o.Pace > 0 {
		t := time.NewTicker(l.o.Pace)
		defer t.Stop()
		tick = t.C
	}
	l.o.Notify("READY=1")
	for {
		if err := l.tick(ctx); err != nil {
			if errors.Is(err, io.EOF) {
				l.stop("end of source")
				return nil
			}
			return err
		}
		if tick == nil {
			select {
			case <-ctx.Done():
				l.stop("asked to stop")
				return nil
			case c := <-l.swap:
				l.change(c)
			default:
			}
			continue
		}
		for waiting := true; waiting; {
			select {
			case <-ctx.Done():
				l.stop("asked to stop")
				return nil
			case c := <-l.swap:
				l.change(c)
			case <-tick:
				waiting = false
			}
		}
	}
}

// next asks for the new wiring; a panic on the way is an error like any other, and the old
// configuration goes on.
func (l *Loop) next(c change) (o Options, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%v\n%s", r, debug.Stack())
		}
	}()
	return c.next(l.o.Core.Checkpoint())
}

func (l *Loop) change(c change) {
	o, err := l.next(c)
	if err == nil {
		o.Committed, o.Notify, o.Log = l.o.Committed, l.o.Notify, l.o.Log
		l.o = o
		l.in.Readings = make([]sensors.Reading, len(o.Wiring))
	}
	c.done <- err
}

// tick is one turn: read, take a command, step, deliver, and only then feed the watchdog.
func (l *Loop) tick(ctx context.Context) error {
	clear(l.in.Readings)
	rctx, cancel := context.WithTimeout(ctx, readWithin)
	st, err := l.o.Source.Read(rctx, l.in.Readings)
	cancel()
	if err != nil {
		return err
	}
	// A recording keeps microseconds and milliseconds; live must judge what replay will.
	l.in.Stamp = sensors.Stamp{Up: st.Up.Round(time.Microsecond), Wall: st.Wall.UTC().Truncate(time.Millisecond)}
	l.in.Boot = l.boot()
	l.readHealth()

	l.in.Command = nil
	var asked *order
	select {
	case o := <-l.inbox:
		// Whoever gave up waiting was told "no answer"; doing it later would surprise them.
		if o.ctx != nil && o.ctx.Err() != nil {
			break
		}
		asked, l.in.Command = &o, &o.cmd
	default:
	}
	s := l.live()
	switch {
	case asked != nil && l.in.Command == nil:
		asked.done(answer{s.Tick, "the program failed in that moment and went on without this order: look at what stands, and give it again"})
	case asked != nil:
		asked.done(answer{s.Tick, s.Refused})
	}
	l.o.Notify("WATCHDOG=1")
	return nil
}

func (l *Loop) boot() string {
	b := l.o.Boot()
	if l.rebuilt > 0 {
		return fmt.Sprintf("%s-r%d", b, l.rebuilt) // the core began again within one boot
	}
	return b
}

// live records, judges and delivers the input at hand.
func (l *Loop) live() *core.Snapshot {
	if l.o.Record != nil {
		err := l.o.Record(l.in)
		if err != nil && !l.failing {
			l.o.Log.Error("recording cannot be written; it has a hole from here", "err", err)
		}
		l.failing = err != nil
	}
	s := l.step()
	if s.Checkpoint != nil {
		l.checkpoint = s.Checkpoint
	}
	for _, out := range l.o.Outputs {
		out.Deliver(s)
	}
	for _, e := range s.Events {
		l.log(e)
	}
	return s
}

// step survives a panic of the core once by continuing from its checkpoint; if that panics
// too within a minute the beliefs are given up, never the alarms.
func (l *Loop) step() *core.Snapshot {
	s, err := l.try()
	for again := 0; err != nil; again++ {
		cold := !l.panicked.IsZero() && time.Since(l.panicked) < panicAgain
		l.o.Log.Error("core panicked; it begins again from its checkpoint", "err", err, "cold", cold)
		l.panicked = time.Now()
		if l.o.Rebuild == nil || again == 2 {
			panic(err) // the service manager starts the process anew
		}
		next, rerr := l.o.Rebuild(l.checkpoint, cold)
		if rerr != nil {
			panic(errors.Join(err, rerr))
		}
		l.rebuilt++
		l.o.Core = next
		l.in.Boot, l.in.Command = l.boot(), nil // the command may be what it choked on
		s, err = l.try()
	}
	return s
}

func (l *Loop) try() (s *core.Snapshot, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%v\n%s", r, debug.Stack())
		}
	}()
	// The snapshot may keep the command, but the readings are ours and change next tick.
	return l.o.Core.Step(l.in), nil
}

// readHealth lets the program be one of its own sensors.
func (l *Loop) readHealth() {
	up := l.in.Stamp.Up
	if l.healthy && up >= l.health && up-l.health < healthEvery {
		return
	}
	l.health, l.healthy = up, true
	for _, out := range l.o.Outputs {
		out.Health(func(ch sensors.Channel, r sensors.Reading) {
			i := l.o.Wiring.Index(ch)
			if i < 0 {
				return
			}
			// Store and sender both lose messages; the count is of both.
			if was := l.in.Readings[i]; ch == sensors.OutboxLost && was.Quality == sensors.Good && r.Quality == sensors.Good {
				r.Value += was.Value
			}
			l.in.Readings[i] = r
		})
	}
}

// stop lives the last tick. Nothing is read: what matters is that the order is on record.
func (l *Loop) stop(why string) {
	l.o.Notify("STOPPING=1")
	clear(l.in.Readings)
	l.in.Stamp.Up += time.Microsecond
	l.in.Command = &core.Command{Actor: "shell", Stop: why}
	l.live()
}

// log writes one line per event; the core itself does not log.
func (l *Loop) log(e core.Event) {
	switch {
	case e.Alarm != nil:
		l.o.Log.Warn("alarm", "alarm", e.Alarm.ID, "from", e.Alarm.From, "to", e.Alarm.To,
			"priority", e.Alarm.Priority, "why", e.Alarm.Why)
	case e.Night != nil:
		l.o.Log.Info("night closed", "date", e.Night.Date)
	case e.Daily != nil:
		l.o.Log.Info("daily word", "at", e.Daily.At)
	case e.Happening != nil:
		l.o.Log.Info(e.Happening.Kind, about(e.Happening)...)
	case e.Note != nil:
		l.o.Log.Info(e.Note.Kind, noted(e.Note)...)
	}
}

// noted is what a note has to say, without the fields it does not use. What a person wrote
// stays in the log of events.
func noted(n *core.Note) (args []any) {
	for _, f := range []struct{ key, text string }{{"actor", n.Actor}, {"joint", n.Joint}, {"result", n.Result},
		{"alarm", n.Alarm}, {"choice", n.Choice}} {
		if f.text != "" {
			args = append(args, f.key, f.text)
		}
	}
	return args
}

// about is what a happening has to say, without the fields it does not use.
func about(h *estimate.Happening) (args []any) {
	for _, f := range []struct{ key, text string }{{"sensor", h.Channel}, {"quality", h.Quality}, {"why", h.Why},
		{"appliance", h.Appliance}, {"guess", h.Guess}} {
		if f.text != "" {
			args = append(args, f.key, f.text)
		}
	}
	return args
}
