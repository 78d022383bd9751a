package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

var wiring = sensors.Wiring{
	{Channel: sensors.GasV, Period: time.Second},
	{Channel: sensors.OutboxLost, Period: 10 * time.Second},
	{Channel: sensors.StoreAgeS, Period: 10 * time.Second},
}

func params() core.Params {
	return core.Params{Wiring: wiring, Setpoints: alerts.Defaults(),
		Estimate: estimate.Params{Gas: estimate.Gas{SupplyV: 5, LoadOhm: 10e3, R0Ohm: 20e3, TestMix: true}}}
}

// made is a source that ends after n ticks, or never if n is 0.
type made struct {
	n, read int
	hang    bool
	start   time.Time
}

func (m *made) Read(ctx context.Context, into []sensors.Reading) (sensors.Stamp, error) {
	if m.n > 0 && m.read == m.n {
		return sensors.Stamp{}, io.EOF
	}
	if m.hang {
		<-ctx.Done() // whatever has come by the deadline has come
	} else {
		into[0] = sensors.Of(0.7 + 0.001*float64(m.read%7))
	}
	m.read++
	return sensors.Stamp{Up: time.Since(m.start), Wall: time.Now().AddDate(27, 0, 0)}, nil // the bubble begins in 2000
}

// kept collects what a loop delivers.
type kept struct {
	snaps []*core.Snapshot
	lost  float64
}

func (k *kept) Deliver(s *core.Snapshot) { k.snaps = append(k.snaps, s) }
func (k *kept) Health(report func(sensors.Channel, sensors.Reading)) {
	report(sensors.OutboxLost, sensors.Of(k.lost))
}

// counted keeps the newest of what a loop delivers: a day of snapshots is over a gigabyte.
type counted struct {
	n      int
	last   *core.Snapshot
	gapped bool // a tick was left out or came twice
}

func (c *counted) Deliver(s *core.Snapshot) {
	c.n, c.last = c.n+1, s
	c.gapped = c.gapped || s.Tick != uint64(c.n)
}

func (c *counted) Health(func(sensors.Channel, sensors.Reading)) {}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func TestADayOfTicksInOrder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &counted{}
		var states []string
		ctx, cancel := context.WithTimeout(t.Context(), 24*time.Hour)
		defer cancel()
		l := NewLoop(Options{Core: core.New(params()), Wiring: wiring, Source: &made{start: time.Now()}, Outputs: []Output{out},
			Boot: func() string { return "a" }, Pace: time.Second, Log: quiet(),
			Notify: func(s string) {
				if s != "WATCHDOG=1" {
					states = append(states, s)
				}
			}})
		if err := l.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if out.n < 86400 || out.n > 86402 || out.gapped {
			t.Errorf("%d ticks in a day, gaps %v, want one a second without any", out.n, out.gapped)
		}
		last := out.last
		if last.Command == nil || last.Command.Stop == "" || !strings.Contains(string(last.Checkpoint), `"clean":true`) {
			t.Error("the last tick must say that the stop was in order")
		}
		if got := strings.Join(states, " "); got != "READY=1 STOPPING=1" {
			t.Errorf("the service manager heard %q", got)
		}
	})
}

func TestASourceThatHangsHoldsNoTickBeyondItsDeadline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &kept{}
		ctx, cancel := context.WithTimeout(t.Context(), 61*time.Second)
		defer cancel()
		l := NewLoop(Options{Core: core.New(params()), Wiring: wiring, Source: &made{hang: true, start: time.Now()}, Outputs: []Output{out},
			Boot: func() string { return "a" }, Pace: time.Second, Log: quiet()})
		if err := l.Run(ctx); err != nil {
			t.Fatal(err)
		}
		if len(out.snaps) < 60 {
			t.Errorf("%d ticks in a minute, want one a second", len(out.snaps))
		}
		if s := out.snaps[len(out.snaps)-2]; s.Est.Band != estimate.Blind {
			t.Errorf("with a dead sensor the band is %s, want blind", s.Est.Band)
		}
	})
}

func TestAnOrderIsAnsweredOnlyAfterItsCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &kept{}
		onDisk := make(chan struct{})
		ctx, cancel := context.WithCancel(t.Context())
		l := NewLoop(Options{Core: core.New(params()), Wiring: wiring, Source: &made{start: time.Now()}, Outputs: []Output{out},
			Boot: func() string { return "a" }, Pace: time.Second, Log: quiet(),
			Committed: func(ctx context.Context, tick uint64) error {
				select {
				case <-onDisk:
					return nil
				case <-ctx.Done():
					return ctx.Err()
				}
			}})
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx) }()

		on := true
		answer := make(chan error, 1)
		go func() { answer <- l.Do(ctx, core.Command{Actor: "owner", WeightWatch: &on}) }()
		time.Sleep(3 * time.Second)
		select {
		case err := <-answer:
			t.Errorf("answered %v before anything was on disk", err)
		default:
		}
		close(onDisk)
		if err := <-answer; err != nil {
			t.Error(err)
		}

		if err := l.Do(ctx, core.Command{Ack: "gas-leave"}); err == nil || errors.Is(err, core.ErrNotKept) {
			t.Errorf("acknowledging what does not sound: %v, want a refusal with its reason", err)
		}
		if err := l.Do(ctx, core.Command{}); err == nil {
			t.Error("an empty order was taken")
		}
		onDisk = make(chan struct{}) // the disk has died
		if err := l.Do(ctx, core.Command{WeightWatch: &on}); !errors.Is(err, core.ErrNotKept) {
			t.Errorf("got %v, want it said that the order is not kept", err)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func TestWhatTwoOutputsLostIsAddedUp(t *testing.T) {
	a, b := &kept{lost: 2}, &kept{lost: 3}
	l := NewLoop(Options{Core: core.New(params()), Wiring: wiring, Source: &made{n: 1, start: time.Now()}, Outputs: []Output{a, b},
		Boot: func() string { return "a" }, Log: quiet()})
	if err := l.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := a.snaps[0].Est.Channels[1]; got.Value != 5 {
		t.Errorf("lost messages %+v, want 5", got)
	}
}

func TestAPanicBeginsAgainFromTheCheckpointAndTheSecondStartsCold(t *testing.T) {
	var asked []bool
	out := &kept{}
	broken := params()
	broken.Wiring = append(wiring[:3:3], sensors.Wire{Channel: sensors.AckButton, Period: time.Second}) // a core for more readings than it gets
	var boots []string
	l := NewLoop(Options{Core: core.New(broken), Wiring: wiring, Source: &made{n: 3, start: time.Now()}, Outputs: []Output{out},
		Boot: func() string { return "a" }, Log: quiet(),
		Record: func(in core.Input) error { boots = append(boots, in.Boot); return nil },
		Rebuild: func(cp []byte, cold bool) (*core.Core, error) {
			asked = append(asked, cold)
			if len(asked) == 1 {
				return core.New(broken), nil
			}
			return core.New(params()), nil
		}})
	// Index out of range is what a wrong wiring looks like from inside.
	if err := l.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if len(out.snaps) == 0 {
		t.Fatal("no tick survived")
	}
	if len(asked) > 0 && (asked[0] || len(asked) > 1 && !asked[1]) {
		t.Errorf("rebuilt cold %v, want first warm, then cold", asked)
	}
	if len(asked) == 0 {
		t.Error("the core never panicked, so this test shows nothing")
	}
}

func TestARecordingThatCannotBeWrittenStopsNothing(t *testing.T) {
	out := &kept{}
	l := NewLoop(Options{Core: core.New(params()), Wiring: wiring, Source: &made{n: 5, start: time.Now()}, Outputs: []Output{out},
		Boot: func() string { return "a" }, Log: quiet(), Record: func(core.Input) error { return errors.New("disk full") }})
	if err := l.Run(t.Context()); err != nil || len(out.snaps) != 6 {
		t.Errorf("%d ticks, %v, want 5 and the stop", len(out.snaps), err)
	}
}

func TestANewConfigurationGoesOnWithTheOldState(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		out := &kept{}
		ctx, cancel := context.WithCancel(t.Context())
		src := &made{start: time.Now()}
		opt := Options{Core: core.New(params()), Wiring: wiring, Source: src, Outputs: []Output{out}, Boot: func() string { return "a" },
			Pace: time.Second, Log: quiet()}
		l := NewLoop(opt)
		ended := make(chan error, 1)
		go func() { ended <- l.Run(ctx) }()
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		before := out.snaps[len(out.snaps)-1]
		if before.Est.Band != estimate.Background {
			t.Fatalf("band %s after ten minutes", before.Est.Band)
		}
		if err := l.Swap(ctx, func([]byte) (Options, error) { return Options{}, errors.New("van.toml:3: no") }); err == nil {
			t.Error("a broken configuration was taken")
		}
		time.Sleep(2 * time.Second)
		err := l.Swap(ctx, func(cp []byte) (Options, error) {
			var saved struct{ Totals core.Totals }
			if err := json.Unmarshal(cp, &saved); err != nil || saved.Totals.Boots != 1 {
				t.Errorf("checkpoint %v of boot %d", err, saved.Totals.Boots)
			}
			next := opt
			next.Core = core.New(params())
			return next, next.Core.Restore(cp)
		})
		if err != nil {
			t.Error(err)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		after := out.snaps[len(out.snaps)-1]
		if after.Est.Band != estimate.Background {
			t.Errorf("after a reload the gas watch is %s: %s", after.Est.Band, after.Est.BandWhy)
		}
		for _, a := range after.Alarms {
			if a.State == alerts.Unacked {
				t.Errorf("a reload raised %s: %s", a.ID, a.Why)
			}
		}
		if after.Totals.Boots != 1 {
			t.Errorf("a reload counts as boot %d", after.Totals.Boots)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// An order in whose tick the core panics may be what it choked on: it is left out of the next
// try, and whoever gave it must not hear that it was done.
func TestAnOrderLostInAPanicIsNotSaidToBeDone(t *testing.T) {
	broken := params()
	broken.Wiring = append(wiring[:3:3], sensors.Wire{Channel: sensors.AckButton, Period: time.Second}) // a core for more readings than it gets
	l := NewLoop(Options{Core: core.New(broken), Wiring: wiring, Source: &made{n: 2, start: time.Now()}, Outputs: []Output{&kept{}},
		Boot: func() string { return "a" }, Log: quiet(),
		Rebuild: func([]byte, bool) (*core.Core, error) { return core.New(params()), nil }})
	var got *answer
	on := true
	l.inbox <- order{core.Command{WeightWatch: &on}, nil, func(a answer) { got = &a }}
	if err := l.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got == nil || !strings.Contains(got.refused, "again") {
		t.Errorf("the answer is %+v, want that it was not done and to give it again", got)
	}
}
