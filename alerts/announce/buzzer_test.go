package announce

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// bell is a line that writes down when it was switched.
type bell struct {
	mu    sync.Mutex
	begun time.Time
	heard []string // "on 1.5s": level and time since begun
	on    bool
	err   error
	hang  chan struct{}
}

func newBell() *bell { return &bell{begun: time.Now()} }

func (b *bell) Out(on bool) error {
	b.mu.Lock()
	hang := b.hang
	b.mu.Unlock()
	if hang != nil {
		<-hang
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.err != nil {
		return b.err
	}
	b.on = on
	b.heard = append(b.heard, fmt.Sprintf("%s %v", map[bool]string{true: "on", false: "off"}[on], time.Since(b.begun)))
	return nil
}

func (b *bell) take() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	got := b.heard
	b.heard, b.begun = nil, time.Now()
	return got
}

func (b *bell) level() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.on
}

// in runs a buzzer in a bubble of its own time.
func in(t *testing.T, o BuzzerOptions, f func(b *Buzzer)) {
	synctest.Test(t, func(t *testing.T) {
		b := NewBuzzer(o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- b.Run(ctx) }()
		synctest.Wait()
		f(b)
		cancel()
		<-done
	})
}

func sounderOK(b *Buzzer) float64 {
	var v float64
	b.Health(func(ch sensors.Channel, r sensors.Reading) {
		if ch == sensors.SounderOK {
			v = r.Value
		}
	})
	return v
}

// ticks delivers n snapshots a second apart.
func ticks(b *Buzzer, n int, snap func(i int) *core.Snapshot) {
	for i := range n {
		b.Deliver(snap(i))
		time.Sleep(time.Second) // bubble time
		synctest.Wait()
	}
}

func TestLeaveReachesTheSounderWithinItsTick(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
		ticks(b, 3, func(i int) *core.Snapshot { return vanAt(uint64(i)) })
		line.take()
		b.Deliver(put(vanAt(4), "gas-leave", alerts.Unacked, 1))
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"on 0s"}) {
			t.Errorf("the line heard %v, want on at once", got)
		}
	})
}

func TestEveryPriorityHasItsOwnSlowPattern(t *testing.T) {
	seen := map[string]alerts.Priority{}
	for _, p := range []alerts.Priority{alerts.Low, alerts.Medium, alerts.High, alerts.Critical} {
		if other, double := seen[fmt.Sprint(soundOf(p))]; double {
			t.Errorf("%v and %v sound alike", p, other)
		}
		seen[fmt.Sprint(soundOf(p))] = p
	}
	for name, steps := range map[string][]step{"low": soundOf(alerts.Low), "medium": soundOf(alerts.Medium),
		"high": soundOf(alerts.High), "critical": soundOf(alerts.Critical), "dead": deadSound(), "test": testSound()} {
		for i, s := range steps {
			if s.on && s.dur < shortestTone {
				t.Errorf("%s: a tone of %v could be taken for temporal-3 or temporal-4", name, s.dur)
			}
			if s.dur <= 0 || s.on == steps[(i+1)%len(steps)].on {
				t.Errorf("%s: step %d does not alternate, or is empty", name, i)
			}
		}
	}
}

func TestThePatternsAsHeard(t *testing.T) {
	tests := map[string]struct {
		alarm string
		heard []string
	}{
		"leave":             {"gas-leave", []string{"on 0s", "off 2s", "on 3s", "off 5s", "on 6s", "off 8s", "on 9s", "off 11s"}},
		"blind":             {"gas-blind", []string{"on 0s", "off 1.5s", "on 2.5s", "off 4s", "on 10s"}},
		"cold pipe":         {"pipe-cold", []string{"on 0s", "off 1s"}},
		"a page notice":     {"clock-untrusted", nil},
		"no alarm whatever": {"none", nil},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			line := &bell{}
			in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
				line.take()
				s := put(vanAt(1), tt.alarm, alerts.Unacked, 1)
				ticks(b, 11, func(int) *core.Snapshot { return s })
				if got := line.take(); !slices.Equal(got, tt.heard) {
					t.Errorf("heard %v, want %v", got, tt.heard)
				}
			})
		})
	}
}

func TestAcknowledgingSilencesTheToneAndNotTheLamp(t *testing.T) {
	sound, lamp := &bell{}, &bell{}
	in(t, BuzzerOptions{Sounder: sound, Lamp: lamp}, func(b *Buzzer) {
		ticks(b, 1, func(int) *core.Snapshot { return put(vanAt(1), "gas-leave", alerts.Unacked, 1) })
		sound.take()
		lamp.take()
		ticks(b, 7, func(int) *core.Snapshot { return put(vanAt(3), "gas-leave", alerts.Acked, 2) })
		if got := sound.take(); !slices.Equal(got, []string{"off 0s"}) {
			t.Errorf("after the acknowledgement the sounder heard %v, want off at once and no more", got)
		}
		if got := lamp.take(); !slices.Equal(got, []string{"off 200ms", "on 3s", "off 3.2s", "on 6s", "off 6.2s"}) {
			t.Errorf("the lamp, lit already, showed %v, want a blink every 3 s", got)
		}
		again := put(vanAt(9), "gas-leave", alerts.Unacked, 3)
		b.Deliver(again)
		synctest.Wait()
		if !sound.level() {
			t.Error("the alarm re-alarmed and nothing is heard")
		}
	})
}

func TestAnotherAlarmIsHeardAmidThePauseOfTheFirst(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
		one := put(vanAt(1), "pipe-cold", alerts.Unacked, 1)
		ticks(b, 8, func(int) *core.Snapshot { return one })
		line.take()
		b.Deliver(put(put(vanAt(9), "pipe-cold", alerts.Unacked, 1), "fuel-below-night", alerts.Unacked, 2))
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"on 0s"}) {
			t.Errorf("a second alarm of the same priority: heard %v, want on at once", got)
		}
		time.Sleep(3 * time.Second)
		synctest.Wait()
		line.take()
		b.Deliver(put(put(vanAt(12), "pipe-cold", alerts.Unacked, 1), "gas-leave", alerts.Unacked, 3))
		time.Sleep(4 * time.Second)
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"on 0s", "off 2s", "on 3s"}) {
			t.Errorf("a higher one: heard %v, want its own pattern from the start", got)
		}
	})
}

func TestADeadMonitorIsNotAQuietOne(t *testing.T) {
	line, lamp := &bell{}, &bell{}
	in(t, BuzzerOptions{Sounder: line, Lamp: lamp}, func(b *Buzzer) {
		ticks(b, 5, func(i int) *core.Snapshot { return vanAt(uint64(i)) })
		line.take()
		time.Sleep(13 * time.Second) // the last tick was one second ago
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"on 9s", "off 12s", "on 12.8s"}) {
			t.Errorf("without ticks the sounder heard %v, want its own pattern from the tenth second", got)
		}
		b.Deliver(vanAt(30))
		time.Sleep(5 * time.Second)
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"off 0s"}) {
			t.Errorf("when ticks come again: %v, want off at once", got)
		}
	})
}

func TestADeathBeforeTheFirstTickIsHeardToo(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line}, func(*Buzzer) {
		line.take()
		time.Sleep(11 * time.Second)
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"on 10s"}) {
			t.Errorf("heard %v, want the pattern after ten seconds", got)
		}
	})
}

func TestALeaveAlarmOutlivesTheMonitor(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
		b.Deliver(put(vanAt(1), "gas-leave", alerts.Unacked, 1))
		time.Sleep(60 * time.Second)
		synctest.Wait()
		line.take()
		time.Sleep(4 * time.Second)
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"off 2s", "on 3s"}) && !slices.Equal(got, []string{"on 0s", "off 2s", "on 3s"}) {
			t.Errorf("a minute after the monitor died: %v, want the leave pattern to go on", got)
		}
	})
}

func TestALineThatHangsHoldsUpNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sound, lamp := newBell(), newBell()
		b := NewBuzzer(BuzzerOptions{Sounder: sound, Lamp: lamp, Tested: true})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- b.Run(ctx) }()
		b.Deliver(vanAt(0))
		synctest.Wait()
		if sounderOK(b) != 1 {
			t.Error("a tested sounder that answers is not reported")
		}
		lamp.mu.Lock()
		lamp.hang = make(chan struct{})
		lamp.mu.Unlock()
		b.Deliver(put(vanAt(1), "gas-leave", alerts.Unacked, 1)) // a Deliver that blocks would deadlock the bubble
		synctest.Wait()
		if !sound.level() {
			t.Error("a lamp that hangs silenced the sounder")
		}
		sound.mu.Lock()
		sound.hang = make(chan struct{})
		sound.mu.Unlock()
		for i := range 30 {
			b.Deliver(put(vanAt(uint64(2+i)), "gas-leave", alerts.Unacked, 1))
			time.Sleep(time.Second)
		}
		if sounderOK(b) != 0 {
			t.Error("a sounder that hangs is still reported as well")
		}
		cancel()
		if err := <-done; err == nil {
			t.Error("Run left a hanging line behind without a word")
		}
		close(sound.hang)
		close(lamp.hang)
	})
}

func TestALineThatFailsIsReportedUntilItIsMended(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line, Tested: true}, func(b *Buzzer) {
		line.mu.Lock()
		line.err = errors.New("no such line")
		line.mu.Unlock()
		ticks(b, 3, func(int) *core.Snapshot { return put(vanAt(1), "gas-leave", alerts.Unacked, 1) })
		if sounderOK(b) != 0 {
			t.Error("a line that ends in an error is reported as well")
		}
		ticks(b, 2, func(int) *core.Snapshot { return vanAt(4) })
		line.mu.Lock()
		line.err = nil
		line.mu.Unlock()
		ticks(b, 2, func(int) *core.Snapshot { return vanAt(6) })
		if sounderOK(b) != 1 {
			t.Error("a mended line is not noticed")
		}
	})
}

func TestTheSounderCountsOnlyOnceHeard(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
		ticks(b, 2, func(i int) *core.Snapshot { return vanAt(uint64(i)) })
		if sounderOK(b) != 0 {
			t.Error("a sounder nobody has heard counts")
		}
		line.take()
		if _, err := b.Drill("medium"); err != nil {
			t.Fatal(err)
		}
		ticks(b, 61, func(i int) *core.Snapshot { return vanAt(uint64(i)) })
		if got := line.take(); !slices.Equal(got, []string{"on 0s", "off 1s", "on 30s", "off 31s"}) {
			t.Errorf("the drill sounded %v, want the medium pattern twice", got)
		}
		if sounderOK(b) != 1 {
			t.Error("a drilled sounder does not count")
		}
	})
	if _, err := NewBuzzer(BuzzerOptions{}).Drill("high"); err == nil {
		t.Error("a drill without a sounder ends well")
	}
	if sounderOK(NewBuzzer(BuzzerOptions{Tested: true})) != 0 {
		t.Error("no sounder, and it is well")
	}
}

func TestADrillPlaysWhatAnAlarmWould(t *testing.T) {
	for sound, want := range map[string]struct {
		first []string
		for_  time.Duration
	}{
		"critical":   {[]string{"on 0s", "off 2s"}, 5 * time.Second},
		"high":       {[]string{"on 0s", "off 1.5s"}, 14 * time.Second},
		DrillStopped: {[]string{"on 0s", "off 3s"}, 34*time.Second + 200*time.Millisecond},
	} {
		line := &bell{}
		in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
			b.Deliver(vanAt(1))
			line.take()
			lasts, err := b.Drill(sound)
			if err != nil || lasts != want.for_ {
				t.Errorf("%s: %v, %v, want %v", sound, lasts, err, want.for_)
			}
			ticks(b, 60, func(i int) *core.Snapshot { return vanAt(uint64(i + 1)) })
			got := line.take()
			if len(got) < 4 || !slices.Equal(got[:2], want.first) || len(got)%2 != 0 {
				t.Errorf("%s sounded %v, want it to begin %v and to end", sound, got, want.first)
			}
		})
	}
	if _, err := NewBuzzer(BuzzerOptions{Sounder: &bell{}}).Drill("loud"); err == nil {
		t.Error("a sound that does not exist is played")
	}
}

func TestWhoHeardTheSounderIsBelieved(t *testing.T) {
	in(t, BuzzerOptions{Sounder: &bell{}}, func(b *Buzzer) {
		b.Deliver(vanAt(1))
		before := sounderOK(b)
		s := vanAt(2)
		s.Heard = &core.Heard{Actor: "board"}
		b.Deliver(s)
		if after := sounderOK(b); before != 0 || after != 1 {
			t.Errorf("%v before and %v after somebody heard it, want 0 and 1", before, after)
		}
	})
}

func TestAnAlarmGoesBeforeADrill(t *testing.T) {
	line := &bell{}
	in(t, BuzzerOptions{Sounder: line}, func(b *Buzzer) {
		b.Deliver(vanAt(1))
		if _, err := b.Drill("medium"); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Second)
		synctest.Wait()
		line.take()
		b.Deliver(put(vanAt(6), "gas-leave", alerts.Unacked, 1))
		synctest.Wait()
		if got := line.take(); !slices.Equal(got, []string{"on 0s"}) {
			t.Errorf("heard %v, want the alarm at once", got)
		}
		if _, err := b.Drill("medium"); err == nil {
			t.Error("a drill over a sounding alarm is accepted")
		}
	})
}

func TestTheWeeklyToneComesOnceOnSaturdayNoonAndIsLogged(t *testing.T) {
	var log strings.Builder
	line := &bell{}
	zone := time.FixedZone("van", 3600)
	in(t, BuzzerOptions{Sounder: line, Zone: zone, Log: slog.New(slog.NewTextHandler(&log, nil))}, func(b *Buzzer) {
		saturday := time.Date(2026, 11, 28, 11, 59, 0, 0, zone)
		at := func(wall time.Time, up time.Duration, trusted bool) *core.Snapshot {
			s := vanAt(1)
			s.Stamp = sensors.Stamp{Up: up, Wall: wall.UTC()}
			s.Est.ClockTrusted = trusted
			return s
		}
		play := func(s *core.Snapshot) []string {
			line.take()
			ticks(b, 3, func(int) *core.Snapshot { return s })
			return line.take()
		}
		once := []string{"on 0s", "off 1.2s"}
		steps := []struct {
			why  string
			snap *core.Snapshot
			want []string
		}{
			{"before noon", at(saturday, time.Hour, true), nil},
			{"noon without a clock to believe", at(saturday.Add(time.Minute), time.Hour, false), nil},
			{"noon", at(saturday.Add(time.Minute), time.Hour, true), once},
			{"later in that hour", at(saturday.Add(30*time.Minute), 90*time.Minute, true), nil},
			{"Sunday", at(saturday.Add(24*time.Hour+time.Minute), 25*time.Hour, true), nil},
			{"the next Saturday", at(saturday.Add(7*24*time.Hour+time.Minute), 169*time.Hour, true), once},
			{"eight days on, clock lost", at(saturday, 169*time.Hour+testEvery, false), once},
		}
		for _, s := range steps {
			if got := play(s.snap); !slices.Equal(got, s.want) {
				t.Errorf("%s: heard %v, want %v", s.why, got, s.want)
			}
		}
	})
	if n := strings.Count(log.String(), "weekly test tone"); n != 3 {
		t.Errorf("the log has %d lines about the tone, want 3:\n%s", n, log.String())
	}
}
