package announce

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// otherEnd is a carrier that answers what a test tells it to and remembers what it was given.
type otherEnd struct {
	begun  time.Time
	mu     sync.Mutex
	answer func(batch []transition) error // nil takes everything
	hang   chan struct{}                  // not nil: it says nothing until it is closed or the try is over
	tries  []try
}

// answers changes what it answers from now on; the courier may be asking at this moment.
func (o *otherEnd) answers(answer func(batch []transition) error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.answer = answer
}

// hangs makes the tries from now on hang until the channel is closed; nil ends that.
func (o *otherEnd) hangs(until chan struct{}) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.hang = until
}

// letGo ends what hangs at this moment.
func (o *otherEnd) letGo() {
	_, hang := o.now()
	close(hang)
}

func (o *otherEnd) now() (answer func(batch []transition) error, hang chan struct{}) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.answer, o.hang
}

// try is one message as it came: when, and the numbers of its transitions.
type try struct {
	at   time.Duration
	ids  string
	took bool
}

func (o *otherEnd) carry(ctx context.Context, batch []transition, _ *core.Snapshot) error {
	var ids []string
	for _, t := range batch {
		ids = append(ids, fmt.Sprint(t.event.Seq))
	}
	var err error
	answer, hang := o.now()
	if hang != nil {
		select {
		case <-hang:
		case <-ctx.Done():
			err = fault{text: "no answer in time"}
		}
	}
	if err == nil && answer != nil {
		err = answer(batch)
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.tries = append(o.tries, try{time.Since(o.begun).Round(time.Second), strings.Join(ids, " "), err == nil})
	return err
}

func (o *otherEnd) test(context.Context, *core.Snapshot) error {
	if answer, _ := o.now(); answer != nil {
		return answer(nil)
	}
	return nil
}

func (o *otherEnd) list() []try {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.tries)
}

func (o *otherEnd) took() (ids []string) {
	for _, t := range o.list() {
		if t.took {
			ids = append(ids, t.ids)
		}
	}
	return ids
}

func newEnd() *otherEnd { return &otherEnd{begun: time.Now()} }

// round is a courier at work within a bubble of synctest, and the van that feeds it.
type roundTrip struct {
	t    *testing.T
	c    *Courier
	shop *shop
	end  *otherEnd
	tick uint64
	mod  func(*core.Snapshot)
	stop func()
}

func setOut(t *testing.T, end *otherEnd, s *shop, tweak ...func(*Courier)) *roundTrip {
	t.Helper()
	var outbox Outbox
	if s != nil {
		s.serves(webhookPath)
		outbox = s
	}
	r := &roundTrip{t: t, shop: s, end: end, c: newCourier(webhookPath, sensors.WebhookLink, end, outbox, nil)}
	for _, f := range tweak {
		f(r.c)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.c.Run(ctx) }()
	r.stop = func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run ended with %v", err)
		}
	}
	return r
}

// lives lets n seconds go by: in ticks of a second, and of ten where they are many.
func (r *roundTrip) lives(n int) {
	for ; n > 120; n -= 10 {
		r.tick += 9
		time.Sleep(9 * time.Second)
		r.live()
	}
	for range n {
		r.live()
	}
}

// live is one tick with what happened in it; it returns when everything has come to rest.
func (r *roundTrip) live(happened ...func(*core.Snapshot)) {
	r.tick++
	s := vanAt(r.tick)
	if r.mod != nil {
		r.mod(s)
	}
	for _, f := range happened {
		f(s)
	}
	if r.shop != nil {
		r.shop.take(r.t, s)
	}
	r.c.Deliver(s)
	time.Sleep(time.Second)
	synctest.Wait()
}

func moved(id string, to alerts.State, seq uint64) func(*core.Snapshot) {
	return func(s *core.Snapshot) { put(s, id, to, seq) }
}

func (r *roundTrip) link() (v float64, q sensors.Quality) {
	r.c.Health(func(ch sensors.Channel, x sensors.Reading) {
		if ch == sensors.WebhookLink {
			v, q = x.Value, x.Quality
		}
	})
	return v, q
}

func TestQuietHoursHoldBackNothingThatIsHighOrCritical(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := setOut(t, newEnd(), newShop())
		defer r.stop()
		r.mod = func(s *core.Snapshot) { s.Quiet = true }
		r.live(moved("pipe-cold", alerts.Unacked, 1)) // medium
		r.live(moved("clock-untrusted", alerts.Unacked, 2))
		r.live(moved("gas-blind", alerts.Unacked, 3)) // high
		r.live(moved("gas-leave", alerts.Unacked, 4)) // critical
		r.lives(8 * 3600)
		if got := r.end.took(); !slices.Equal(got, []string{"3", "4"}) {
			t.Fatalf("in quiet hours went %v, want 3 and 4 alone", got)
		}
		if at := r.end.list()[1].at; at > 4*time.Second {
			t.Errorf("critical went after %v", at)
		}
		if says := r.c.Says(); !strings.Contains(says, "2 messages wait for the end of quiet hours") {
			t.Errorf("the path says %q", says)
		}
		r.mod = nil // morning
		r.lives(2)
		if got := r.end.took(); !slices.Equal(got, []string{"3", "4", "1", "2"}) {
			t.Errorf("by morning %v, want the two that waited after the two that did not", got)
		}
		if r.shop.left() != 0 {
			t.Errorf("%d rows left", r.shop.left())
		}
	})
}

func TestAMediumAlarmThatBreaksQuietHoursIsToldInThem(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := setOut(t, newEnd(), newShop())
		defer r.stop()
		r.mod = func(s *core.Snapshot) { s.Quiet, s.Alarms[2].BreaksQuiet = true, true }
		r.live(moved("pipe-cold", alerts.Unacked, 1))
		if got := r.end.took(); !slices.Equal(got, []string{"1"}) {
			t.Errorf("went %v, want 1", got)
		}
	})
}

func TestTriesGetRarerAndNeverEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "connection refused"} })
		r := setOut(t, end, newShop())
		defer r.stop()
		r.live(moved("gas-leave", alerts.Unacked, 7))
		if v, q := r.link(); v != 0 || q != sensors.Good {
			t.Errorf("health %v %v after a failed try, want 0", v, q)
		}
		r.lives(168 * 360) // a good part of a day
		n := len(end.list())
		if n < 16*12 || n > 2*16*12+20 {
			t.Errorf("%d tries in 16.8 h, want one every two and a half to five minutes", n)
		}
		for i, x := range end.list()[1:] {
			gap := x.at - end.list()[i].at
			least, most := min(2500*time.Millisecond<<i, 150*time.Second), min(5*time.Second<<i, 5*time.Minute)
			if i < 12 && (gap < least-time.Second || gap > most+time.Second) {
				t.Errorf("try %d came %v after the one before, want %v to %v", i+2, gap, least, most)
			}
			if x.ids != "7" {
				t.Errorf("try %d carried %s", i+2, x.ids)
			}
		}
		if says := r.c.Says(); !strings.Contains(says, "connection refused") || !strings.Contains(says, "1 message waits") || !strings.Contains(says, "Failing for 16 h") {
			t.Errorf("the path says %q", says)
		}
		end.answers(nil)
		r.lives(5*60 + 1)
		if got := end.took(); !slices.Equal(got, []string{"7"}) || r.shop.left() != 0 {
			t.Errorf("taken %v, %d rows left; want 7 once", got, r.shop.left())
		}
		if v, q := r.link(); v != 1 || q != sensors.Good {
			t.Errorf("health %v %v after it got through, want 1", v, q)
		}
	})
}

func TestSomethingUrgentIsTriedAtOnceThoughThePathWasFailing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "no network"} })
		r := setOut(t, end, newShop())
		defer r.stop()
		r.live(moved("pipe-cold", alerts.Unacked, 1))
		r.lives(3600)
		before := len(end.list())
		end.answers(nil)
		at := time.Since(end.begun)
		r.live(moved("gas-leave", alerts.Unacked, 2))
		if len(end.list()) == before || end.list()[before].ids != "2" || end.list()[before].at > at+time.Second {
			t.Fatalf("after an hour of failing, %v; want gas-leave tried at once and first", end.list()[before:])
		}
		if got := end.took(); !slices.Equal(got, []string{"2", "1"}) {
			t.Errorf("taken %v", got)
		}
	})
}

func TestAHangingPathHoldsUpNoTickAndIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.hangs(make(chan struct{}))
		r := setOut(t, end, newShop())
		defer r.stop()
		began := time.Now()
		for i := range 100 { // a Deliver that waited would take the bubble's clock along
			s := put(vanAt(uint64(i+1)), "gas-leave", []alerts.State{alerts.Unacked, alerts.Acked}[i%2], uint64(i))
			r.shop.take(t, s)
			r.c.Deliver(s)
		}
		if took := time.Since(began); took != 0 {
			t.Errorf("100 deliveries took %v", took)
		}
		r.tick = 100
		r.lives(31)
		if len(end.list()) == 0 || end.list()[0].at != 30*time.Second {
			t.Errorf("tries %v, want the first given up after 30 s", end.list())
		}
		if says := r.c.Says(); !strings.Contains(says, "no answer in time") {
			t.Errorf("the path says %q", says)
		}
		end.letGo()
		r.lives(10)
		if n := len(end.took()); n != 100 {
			t.Errorf("%d taken once it answers, want 100", n)
		}
	})
}

func TestSomethingUrgentGoesBeforeTheRestOfAMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { time.Sleep(3 * time.Second); return nil }) // slow, and well
		r := setOut(t, end, newShop())
		defer r.stop()
		r.mod = func(s *core.Snapshot) { s.Quiet = true }
		for i := range uint64(200) {
			r.live(moved("pipe-cold", []alerts.State{alerts.Unacked, alerts.Acked}[i%2], 1+i))
		}
		r.mod = nil
		r.lives(30)
		at := time.Since(end.begun)
		r.live(moved("gas-leave", alerts.Unacked, 900))
		r.lives(10)
		i := slices.IndexFunc(end.list(), func(x try) bool { return x.ids == "900" })
		if i < 0 || end.list()[i].at > at+8*time.Second {
			t.Fatalf("gas-leave raised at %v, tries %v; want it within the message under way and its own", at, end.list())
		}
		r.lives(900)
		if r.shop.left() != 0 {
			t.Errorf("%d rows left", r.shop.left())
		}
	})
}

// A try may hang because the van has changed networks; what is urgent then finds the new one.
func TestSomethingUrgentDoesNotWaitForATryOfWhatIsNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.hangs(make(chan struct{}))
		r := setOut(t, end, newShop())
		defer r.stop()
		r.live(moved("pipe-cold", alerts.Unacked, 1))
		end.letGo()
		end.hangs(make(chan struct{}))
		r.live(moved("pipe-cold", alerts.Acked, 2))
		r.lives(5)
		end.hangs(nil) // only the try under way hangs
		at := time.Since(end.begun)
		r.live(moved("gas-leave", alerts.Unacked, 3))
		if n := len(end.list()); n != 4 || end.list()[1].took || end.list()[2].ids != "3" || end.list()[2].at > at+time.Second || end.list()[3].ids != "2" {
			t.Errorf("tries %v, want 2 cut off, then 3 at once, then 2 again", end.list())
		}
		if v, q := r.link(); v != 1 || q != sensors.Good {
			t.Errorf("health %v %v: a try cut off by us is no fault", v, q)
		}
	})
}

func TestAStopIsNotHeldByAHangingPathAndIsNoFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.hangs(make(chan struct{}))
		r := setOut(t, end, newShop())
		r.live(moved("gas-leave", alerts.Unacked, 1))
		began := time.Now()
		r.stop()
		if took := time.Since(began); took != 0 {
			t.Errorf("the stop took %v", took)
		}
		if r.shop.left() != 1 {
			t.Error("the transition is not in the store any more")
		}
		if _, q := r.link(); q != sensors.Missing {
			t.Errorf("health %v, want none: no try came to an end", q)
		}
	})
}

func TestKilledWhileSendingTheNextRunSendsItOnceMoreWithTheSameID(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop()
		var ids []string
		end := newEnd()
		end.answers(func(b []transition) error { ids = append(ids, b[0].id()); return nil })
		end.hangs(make(chan struct{}))
		r := setOut(t, end, s)
		r.live(moved("gas-leave", alerts.Unacked, 5))
		go func() { // the other end has it; we die before we hear so
			time.Sleep(time.Second)
			ids = append(ids, "b-17-00000000000000000005")
		}()
		r.lives(2)
		r.stop()
		again := newEnd()
		again.answer, _ = end.now()
		r = setOut(t, again, s)
		r.lives(2)
		r.stop()
		r = setOut(t, newEnd(), s) // and no third time
		r.lives(2)
		r.stop()
		if len(ids) != 2 || ids[0] != ids[1] || len(r.end.list()) != 0 {
			t.Errorf("ids %v and then %v, want the same twice and no more", ids, r.end.list())
		}
	})
}

func TestOneBadMessageHoldsUpNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func(b []transition) error {
			if b[0].event.Seq < 5 { // four that the other end will never take
				return fault{text: "422: what is this", kind: refused}
			}
			return nil
		})
		r := setOut(t, end, newShop())
		defer r.stop()
		for i := range uint64(20) {
			r.live(moved("gas-leave", []alerts.State{alerts.Unacked, alerts.Acked}[i%2], 1+i))
		}
		r.lives(60)
		if n := len(end.took()); n != 16 {
			t.Errorf("%d taken, want all but the four that are refused", n)
		}
		if r.shop.left() != 4 {
			t.Errorf("%d rows left, want the four: critical is never given up", r.shop.left())
		}
		if says := r.c.Says(); !strings.Contains(says, "422: what is this") || !strings.Contains(says, "4 messages wait") {
			t.Errorf("the path says %q", says)
		}
		n := len(end.list())
		r.lives(3600)
		if more := len(end.list()) - n; more > 3*24 {
			t.Errorf("%d tries in an hour for four messages nobody takes", more)
		}
	})
}

func TestWhatIsGoneIsLeftAloneUntilATestGetsThrough(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "410: no more", kind: gone} })
		r := setOut(t, end, newShop())
		defer r.stop()
		r.live(moved("gas-leave", alerts.Unacked, 1))
		r.live(moved("gas-leave", alerts.Acked, 2))
		r.lives(24 * 3600)
		if n := len(end.list()); n != 1 {
			t.Errorf("%d tries after 410, want none after the first", n-1)
		}
		if _, q := r.link(); q != sensors.Bad {
			t.Errorf("health %v, want a fault", q)
		}
		if err := r.c.Test(t.Context()); err == nil || !strings.Contains(err.Error(), "410") {
			t.Errorf("a test says %v", err)
		}
		end.answers(nil)
		if err := r.c.Test(t.Context()); err != nil {
			t.Error(err)
		}
		r.lives(2)
		if got := end.took(); !slices.Equal(got, []string{"1", "2"}) {
			t.Errorf("taken %v after the test got through, want both that waited", got)
		}
	})
}

func TestOnlyAStaleWordAboutFuelIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "no network"} })
		r := setOut(t, end, newShop())
		defer r.stop()
		r.live(moved("fuel-below-night", alerts.Unacked, 1))
		r.live(moved("gas-leave", alerts.Unacked, 2))
		r.live(moved("pipe-cold", alerts.Unacked, 3))
		r.live(func(s *core.Snapshot) { s.Est.ClockTrusted = false; put(s, "fuel-below-night", alerts.Acked, 4) })
		r.live(func(s *core.Snapshot) {
			s.Alarms[3].Priority = alerts.High
			put(s, "fuel-below-night", alerts.Normal, 5)
		})
		r.lives(25 * 3600)
		end.answers(nil)
		r.lives(301)
		if got := end.took(); !slices.Equal(got, []string{"2", "5", "3", "4"}) {
			t.Errorf("taken %v, want all but the first: its clock was right, and a day has passed", got)
		}
		if says := r.c.Says(); !strings.Contains(says, "1 were over or too old") {
			t.Errorf("the path says %q", says)
		}
	})
}

func TestCouriersTellWhatTheStoreDoesNotTake(t *testing.T) {
	for name, shopOf := range map[string]func() *shop{
		"it refuses":    func() *shop { s := newShop(); s.refuse = true; return s },
		"it hangs":      func() *shop { s := newShop(); s.hang = make(chan struct{}); return s },
		"there is none": func() *shop { return nil },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var durable atomic.Bool
				end := newEnd()
				end.answers(func(b []transition) error { durable.CompareAndSwap(false, b[0].durable); return nil })
				s := shopOf()
				r := setOut(t, end, s)
				r.mod = func(s *core.Snapshot) { s.Quiet = true }
				r.live(moved("pipe-cold", alerts.Unacked, 1))
				r.live(moved("gas-leave", alerts.Unacked, 2))
				r.lives(10)
				if got := end.took(); !slices.Equal(got, []string{"2"}) || durable.Load() {
					t.Errorf("taken %v durable %v, want 2 alone and from memory", got, durable.Load())
				}
				r.mod = nil
				r.lives(60)
				if got := end.took(); !slices.Equal(got, []string{"2", "1"}) {
					t.Errorf("taken %v", got)
				}
				if s != nil && s.hang != nil {
					close(s.hang)
				}
				r.stop()
			})
		})
	}
}

func TestPlainNewsIsGatheredAndUrgentIsNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := setOut(t, newEnd(), newShop(), func(c *Courier) { c.most, c.gather = mailMost, mailGather })
		defer r.stop()
		r.live(moved("pipe-cold", alerts.Unacked, 1))
		r.lives(20)
		r.live(moved("pipe-cold", alerts.Acked, 2))
		r.live(moved("gas-leave", alerts.Unacked, 3))
		r.lives(20)
		r.live(moved("pipe-cold", alerts.Normal, 4))
		r.lives(120)
		r.live(moved("pipe-cold", alerts.Unacked, 5))
		r.lives(120)
		want := []try{{22 * time.Second, "3", true}, {60 * time.Second, "1 2 4", true}, {223 * time.Second, "5", true}}
		if len(r.end.list()) != len(want) {
			t.Fatalf("messages %v, want %v", r.end.list(), want)
		}
		for i, w := range want {
			if g := r.end.list()[i]; g.ids != w.ids || (g.at-w.at).Abs() > 3*time.Second {
				t.Errorf("message %d: %v, want about %v", i+1, g, w)
			}
		}
	})
}

func TestAFullOutboxNeverKeepsUrgentOnesBehindWhatIsHeld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := setOut(t, newEnd(), newShop())
		defer r.stop()
		r.mod = func(s *core.Snapshot) { s.Quiet = true }
		for i := range uint64(999) { // as many as the store holds
			s := put(vanAt(1), "pipe-cold", alerts.Unacked, 1+i)
			r.shop.take(t, s)
		}
		r.live(moved("gas-leave", alerts.Unacked, 5000))
		if got := r.end.took(); !slices.Equal(got, []string{"5000"}) {
			t.Errorf("taken %v", got)
		}
	})
}

func TestWhateverWaitsACourierRests(t *testing.T) {
	quiet := func(s *core.Snapshot) { s.Quiet = true }
	for name, tt := range map[string]struct {
		mod    func(*core.Snapshot)
		answer error
		refuse bool // by the store
		gather time.Duration
	}{
		"nothing":                             {},
		"held for the morning":                {mod: quiet},
		"held for the morning, mail":          {mod: quiet, gather: mailGather},
		"held in memory":                      {mod: quiet, refuse: true},
		"the other end is gone":               {answer: fault{text: "410", kind: gone}},
		"the other end is gone, from memory":  {answer: fault{text: "410", kind: gone}, refuse: true},
		"it is away":                          {answer: fault{text: "no network"}},
		"it is away, from memory":             {answer: fault{text: "no network"}, refuse: true},
		"it refuses, and some is held":        {mod: quiet, answer: fault{text: "400", kind: refused}},
		"it refuses, and some is held, mail":  {mod: quiet, answer: fault{text: "400", kind: refused}, gather: mailGather},
		"it refuses all but asks for an hour": {answer: fault{text: "429", after: time.Hour}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				end := newEnd()
				end.answers(func([]transition) error { return tt.answer })
				r := setOut(t, end, newShop(), func(c *Courier) { c.gather = tt.gather })
				defer r.stop()
				r.mod = tt.mod
				r.shop.refuses(tt.refuse)
				r.live(moved("pipe-cold", alerts.Unacked, 1))
				r.live(moved("gas-leave", alerts.Unacked, 2))
				r.live(moved("pipe-cold", alerts.Acked, 3))
				r.lives(200)
				before := r.shop.questions()
				r.lives(3600)
				if n := r.shop.questions() - before; n > 70 {
					t.Errorf("the store was asked %d times in an hour in which nothing happened", n)
				}
			})
		})
	}
}

func TestWhatWasLowAndIsOverIsNotToldAfterwards(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "no network"} })
		r := setOut(t, end, newShop())
		defer r.stop()
		r.live(moved("clock-untrusted", alerts.Unacked, 1)) // low, over
		r.live(moved("pipe-cold", alerts.Unacked, 2))       // medium, over
		r.live(moved("clock-untrusted", alerts.Returned, 3))
		r.live(moved("clock-untrusted", alerts.Unacked, 4)) // and begun again
		r.live(moved("pipe-cold", alerts.Returned, 5))
		r.lives(600)
		end.answers(nil)
		r.lives(301)
		if got := end.took(); !slices.Equal(got, []string{"2", "4", "5"}) || r.shop.left() != 0 {
			t.Errorf("taken %v, %d left; want all but the low one that was over", got, r.shop.left())
		}
		r.live(moved("clock-untrusted", alerts.Returned, 6)) // its beginning was told, so its end is
		r.lives(5)
		if got := end.took(); !slices.Equal(got, []string{"2", "4", "5", "6"}) {
			t.Errorf("taken %v", got)
		}
	})
}

func TestNobodyIsMailedThatAnAlarmWhichDoesNotStandIsSuppressed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for name, refuse := range map[string]bool{"from the store": false, "from memory": true} {
			r := setOut(t, newEnd(), newShop(), func(c *Courier) { c.mute = sidelined })
			r.shop.refuses(refuse)
			r.live(moved("pipe-cold", alerts.Suppressed, 1)) // from normal
			r.live(func(s *core.Snapshot) { s.Alarms[2].State = alerts.Unacked; put(s, "pipe-cold", alerts.Suppressed, 2) })
			r.live(func(s *core.Snapshot) { s.Alarms[2].State = alerts.Suppressed; put(s, "pipe-cold", alerts.Normal, 3) })
			r.live(func(s *core.Snapshot) { s.Alarms[2].State = alerts.Suppressed; put(s, "pipe-cold", alerts.Unacked, 4) })
			r.lives(10)
			if got := r.end.took(); !slices.Equal(got, []string{"2", "4"}) || r.shop.left() != 0 {
				t.Errorf("%s: told %v, %d left; want what a standing alarm did and nothing else", name, got, r.shop.left())
			}
			r.stop()
		}
	})
}

func TestALogOfAPathNamesItOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log := newLedger()
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "no network"} })
		r := setOut(t, end, newShop(), func(c *Courier) { c.log = slog.New(slog.NewTextHandler(lines{log}, nil)) })
		r.live(moved("gas-leave", alerts.Unacked, 1))
		r.lives(3 * 3600)
		end.answers(nil)
		r.lives(301)
		r.stop()
		all, _ := log.list()
		var text strings.Builder
		for _, l := range all {
			text.WriteString(l.payload)
		}
		if n := len(all); n < 4 || n > 5 || strings.Count(text.String(), "output=webhook") != n {
			t.Errorf("%d lines in three hours of failing, want one at the start, hourly ones and the end:\n%s", n, text.String())
		}
	})
}

func TestOnlyTheNewestDailyWordIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "no network"} })
		r := setOut(t, end, newShop(), func(c *Courier) { c.most, c.gather = mailMost, 0 })
		defer r.stop()
		word := func(seq uint64) func(*core.Snapshot) {
			return func(s *core.Snapshot) {
				s.Events = append(s.Events, core.Event{Stamp: s.Stamp, Seq: seq, Daily: &core.Daily{Kind: "still-watching", At: "08:00"}})
			}
		}
		r.live(word(1))
		r.live(moved("pipe-cold", alerts.Unacked, 2))
		r.live(word(3))
		r.live(moved("pipe-cold", alerts.Acked, 4))
		r.lives(600)
		r.mod = func(s *core.Snapshot) { s.Quiet = true }
		r.lives(1)
		end.answers(nil)
		r.lives(600)
		if got := end.took(); len(got) != 0 {
			t.Errorf("in quiet hours %v", got)
		}
		r.mod = nil
		r.lives(2)
		if got := end.took(); !slices.Equal(got, []string{"2", "3", "4"}) {
			t.Errorf("taken %v, want the newest word alone in its message and the older one given up", got)
		}
		if r.shop.left() != 0 {
			t.Errorf("%d rows left", r.shop.left())
		}
	})
}

func TestTheEndOfWhatWasToldIsNotSwallowed(t *testing.T) {
	low := func(seq uint64, to alerts.State) parcel {
		var p parcel
		p.event.Seq = seq
		p.event.Alarm = &alerts.Transition{ID: "broker-away", To: to.String(), Priority: alerts.Low.String()}
		return p
	}
	// Its beginning was told; while the rest waited it was over, began and was over again. The
	// rows of the store may come behind what is in memory.
	rest, over := stillNews([]parcel{low(4, alerts.Returned), low(2, alerts.Returned), low(3, alerts.Unacked)}, vanAt(1))
	if len(rest) != 1 || rest[0].event.Seq != 2 || len(over) != 2 {
		t.Errorf("%d stay (%+v), %d are given up; want the end of what was told to stay", len(rest), rest, len(over))
	}
}

// A card that takes its time makes a transition go out from memory; when the store has it in
// the end, and before it could leave, it is one message and not two.
func TestWhatTheStoreHasAfterAllGoesOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := newEnd()
		end.answers(func([]transition) error { return fault{text: "no network"} })
		r := setOut(t, end, newShop())
		defer r.stop()
		r.shop.refuses(true)
		late := vanAt(1)
		put(late, "gas-leave", alerts.Unacked, 1)
		put(late, "pipe-cold", alerts.Unacked, 2)
		r.c.Deliver(late)
		r.lives(10) // the store is silent for longer than it is waited for
		r.shop.refuses(false)
		r.shop.take(t, late)
		r.lives(10)
		end.answers(nil)
		r.lives(600)
		if got := end.took(); !slices.Equal(got, []string{"1", "2"}) || r.shop.left() != 0 {
			t.Errorf("taken %v, %d rows left; want each once", got, r.shop.left())
		}
		if says := r.c.Says(); strings.Contains(says, "wait") {
			t.Errorf("the path says %q", says)
		}
	})
}

// What was folded in memory tells more than the row of its newest part, which the store has in
// the end.
func TestWhatWasFoldedIsToldRatherThanItsLastPart(t *testing.T) {
	s := newShop()
	s.serves(webhookPath)
	c := newCourier(webhookPath, sensors.WebhookLink, newEnd(), s, nil)
	now := put(vanAt(2), "gas-leave", alerts.Acked, 2)
	c.Deliver(put(vanAt(1), "gas-leave", alerts.Unacked, 1))
	c.Deliver(now)
	c.spill.fold()
	c.spill.waiting[0].alone = true
	s.take(t, now)
	if got := c.collect(t.Context()); len(got) != 1 || got[0].mergedN != 1 || got[0].row != 0 {
		t.Errorf("%+v, want the folded one alone", got)
	}
}

// A burst may fold the older one into the newer while the rows of the store are looked at.
func TestWhatIsFoldedWhileTheRowsAreReadIsNotLost(t *testing.T) {
	s := newShop()
	s.serves(webhookPath)
	c := newCourier(webhookPath, sensors.WebhookLink, newEnd(), s, nil)
	now := put(vanAt(2), "gas-leave", alerts.Acked, 2)
	c.Deliver(put(vanAt(1), "gas-leave", alerts.Unacked, 1))
	c.Deliver(now)
	for i := range c.spill.waiting {
		c.spill.waiting[i].alone = true
	}
	s.take(t, now)
	reading := true
	c.mute = func(*alerts.Transition) bool { // is asked about each row
		if reading {
			reading = false
			c.mu.Lock()
			c.spill.fold()
			c.mu.Unlock()
		}
		return false
	}
	if got := c.collect(t.Context()); len(got) != 1 || got[0].mergedN != 1 || got[0].row != 0 {
		t.Errorf("%+v, want the folded one alone", got)
	}
}
