package announce

import (
	"context"
	"log/slog"
	"sync"
	"time"
)

// player plays patterns on one line. It alone calls the line.
type player struct {
	name string
	line Line
	dead []step // what to play when the ticks have stopped
	wake chan struct{}
	log  *slog.Logger

	mu       sync.Mutex // guards the rest, between Deliver, Health and run
	want     pattern
	lastTick time.Time
	calledAt time.Time // of the call to the line that is out; zero if none is
	failed   bool      // the last call ended with an error
	played   bool      // a tone went out without error

	level bool // the line's level after the last call that went well; run's own
}

func newPlayer(name string, l Line, dead []step, log *slog.Logger) *player {
	return &player{name: name, line: l, dead: dead, wake: make(chan struct{}, 1), log: log}
}

func (p *player) play(want pattern) {
	p.mu.Lock()
	p.want = want
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

func (p *player) ticked(now time.Time) {
	p.mu.Lock()
	p.lastTick = now
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// current is what to play at now, and when to look again at the latest.
func (p *player) current(now time.Time) (pattern, time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	late := p.lastTick.Add(deadAfter)
	if now.Before(late) {
		return p.want, late
	}
	later := now.Add(deadAfter)
	if p.want.hold {
		return p.want, later
	}
	return pattern{key: "dead", steps: p.dead}, later
}

// run plays until ctx ends. It takes the time anew after each call to the line, so a slow
// one delays a tone and never adds up.
func (p *player) run(ctx context.Context) {
	p.ticked(time.Now()) // the first tick has ten seconds too
	p.level = true       // not known, so switch it off in any case
	p.out(false, false)
	var now pattern
	var at int         // step of now
	var ends time.Time // of that step; zero: never
	again := time.NewTimer(0)
	defer again.Stop()
	for {
		t := time.Now()
		want, look := p.current(t)
		switch {
		case want.key != now.key:
			now, at = want, 0
			ends = p.enter(now, at)
		case !ends.IsZero() && !t.Before(ends):
			at++
			if at == len(now.steps) && now.once {
				now.steps = nil
			}
			at %= max(1, len(now.steps))
			ends = p.enter(now, at)
		case ends.IsZero() && p.unwell():
			p.out(false, false) // so that a mended line is noticed
		}
		if !ends.IsZero() && ends.Before(look) {
			look = ends
		}
		again.Reset(time.Until(look))
		select {
		case <-ctx.Done():
			p.out(false, false)
			return
		case <-p.wake:
		case <-again.C:
		}
	}
}

// enter begins a step and returns when it ends; the zero time is never.
func (p *player) enter(now pattern, at int) time.Time {
	if len(now.steps) == 0 {
		p.out(false, false)
		return time.Time{}
	}
	s := now.steps[at]
	begun := time.Now()
	p.out(s.on, now.tone && s.on)
	return begun.Add(s.dur)
}

// out switches the line, unless it already is where it should be, and keeps watch over it.
func (p *player) out(on, tone bool) {
	if on == p.level && !p.unwell() {
		return
	}
	p.mu.Lock()
	p.calledAt = time.Now()
	p.mu.Unlock()
	err := p.line.Out(on)
	p.mu.Lock()
	p.calledAt = time.Time{}
	changed := p.failed != (err != nil)
	p.failed = err != nil
	p.played = p.played || tone && err == nil
	p.mu.Unlock()
	if err == nil {
		p.level = on
	}
	switch {
	case changed && err != nil:
		p.log.Error("line does not switch", "output", p.name, "err", err)
	case changed:
		p.log.Info("line switches again", "output", p.name)
	}
}

func (p *player) unwell() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.failed
}

// health reports whether a tone has been played, and whether the line is well.
func (p *player) health(now time.Time) (played, well bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	stuck := !p.calledAt.IsZero() && now.Sub(p.calledAt) >= stuckAfter
	return p.played, !p.failed && !stuck
}
