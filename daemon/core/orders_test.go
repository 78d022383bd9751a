package core

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
	"frostline/sensors/sim"
)

// obeying lives a scenario with orders given at ticks, and shows every snapshot. Then it
// holds the promise of replay: the recording of that life gives the same snapshots in
// another core.
func obeying(t *testing.T, text string, orders map[uint64]Command, see func(*Snapshot)) {
	t.Helper()
	obeyingAs(t, text, func(tick uint64) *Command {
		if cmd, ok := orders[tick]; ok {
			return &cmd
		}
		return nil
	}, see)
}

// simParamsOf is what the owner of a scenario's van would configure.
func simParamsOf(t *testing.T, text string) Params {
	t.Helper()
	sc, err := sim.Load(strings.NewReader(text), "orders")
	if err != nil {
		t.Fatal(err)
	}
	return simParams(sim.New(sc, 0))
}

// obeyingAs is obeying with orders that depend on what was seen.
func obeyingAs(t *testing.T, text string, order func(tick uint64) *Command, see func(*Snapshot)) {
	t.Helper()
	sc, err := sim.Load(strings.NewReader(text), "orders")
	if err != nil {
		t.Fatal(err)
	}
	v := sim.New(sc, 0)
	p := simParams(v)
	var rec bytes.Buffer
	enc, err := NewEncoder(&rec, NewHeader(p.Wiring))
	if err != nil {
		t.Fatal(err)
	}
	lived := sha256.New()
	c := New(p)
	in := Input{Readings: make([]sensors.Reading, len(p.Wiring))}
	for tick := uint64(1); ; tick++ {
		clear(in.Readings)
		st, err := v.Read(context.Background(), in.Readings)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		in.Stamp, in.Boot, in.Command = st, v.Boot(), order(tick)
		if err := enc.Encode(in); err != nil {
			t.Fatal(err)
		}
		s := c.Step(in)
		note(t, lived, s)
		see(s)
	}
	if err := enc.Flush(); err != nil {
		t.Fatal(err)
	}
	replayed := sha256.New()
	again := New(p)
	replay(t, rec.Bytes(), p, func(in Input) { note(t, replayed, again.Step(in)) })
	if !bytes.Equal(lived.Sum(nil), replayed.Sum(nil)) {
		t.Error("the replay parts from the life it recorded")
	}
}

// replay reads a recording to its end.
func replay(t *testing.T, rec []byte, p Params, step func(Input)) {
	t.Helper()
	d, err := NewDecoder(bytes.NewReader(rec), p.Wiring)
	if err != nil {
		t.Fatal(err)
	}
	for {
		in, err := d.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		step(in)
	}
}

// A board without a clock of its own, from an evening into the night; the network brings
// the time late, or never.
func noClock(syncAfter string) string {
	return `
what = "a board without a clock"
tick = "10s"
start = 2026-01-14T16:00:00Z
duration = "3h"
meals = []
[van.clock]
rtc = false
boots_at = 2024-03-01T00:00:00Z
sync_after = "` + syncAfter + `"
`
}

func TestAClockSetFromAPhoneIsBelievedUntilTheNetworkKnowsBetter(t *testing.T) {
	phone := time.Date(2026, 1, 14, 16, 30, 0, 250e6, time.UTC) // four seconds ahead, as phones are
	var set, synced []estimate.Happening
	obeying(t, noClock("2h"), map[uint64]Command{180: {Actor: "phone", WallSet: &WallSet{phone}}}, func(s *Snapshot) {
		for _, e := range s.Events {
			if e.Kind() != estimate.ClockStep {
				continue
			}
			if s.Tick == 180 {
				set = append(set, *e.Happening)
			} else {
				synced = append(synced, *e.Happening)
			}
		}
		switch e := s.Est; {
		case s.Tick < 180:
			if e.ClockTrusted || s.Stamp.Wall.Year() != 2024 {
				t.Fatalf("tick %d: trusted %v at %v, want the board's own", s.Tick, e.ClockTrusted, s.Stamp.Wall)
			}
		case len(synced) == 0:
			want := phone.Add(time.Duration(s.Tick-180) * 10 * time.Second)
			if s.Refused != "" || !e.ClockTrusted || e.ClockSet == nil || !s.Stamp.Wall.Equal(want) {
				t.Fatalf("tick %d: %q, trusted %v at %v, want %v", s.Tick, s.Refused, e.ClockTrusted, s.Stamp.Wall, want)
			}
		default:
			if !e.ClockTrusted || e.ClockSet != nil {
				t.Fatalf("tick %d: trusted %v, set %+v; want the network's time", s.Tick, e.ClockTrusted, e.ClockSet)
			}
		}
	})
	if len(set) != 1 || set[0].Why != "set from a phone" || *set[0].Seconds < 59e6 {
		t.Errorf("set: %+v, want one step of years with its reason", set)
	}
	if len(synced) != 1 || synced[0].Why != "" {
		t.Errorf("then: %+v, want one step, made by nobody", synced)
	}
}

func TestAClockSetFromAPhoneDatesTheNightThatIsBeingLived(t *testing.T) {
	text := strings.Replace(noClock("48h"), "2024-03-01T00:00:00Z", "2024-03-01T22:00:00Z", 1)
	text = strings.Replace(strings.Replace(text, "16:00:00Z", "19:00:00Z", 1), `"3h"`, `"16h"`, 1)
	phone := time.Date(2026, 1, 14, 19, 30, 0, 0, time.UTC)
	nights := 0
	obeying(t, text, map[uint64]Command{180: {WallSet: &WallSet{phone}}}, func(s *Snapshot) {
		for _, e := range s.Events {
			if n := e.Night; n != nil {
				nights++
				if n.Date != "2026-01-14" || n.ClockUntrusted {
					t.Errorf("the night is %s, untrusted %v; want 2026-01-14 and trusted", n.Date, n.ClockUntrusted)
				}
			}
		}
	})
	if nights != 1 {
		t.Errorf("%d nights, want one", nights)
	}
}

func TestAClockIsNotSetAgainstTheNetwork(t *testing.T) {
	order := Command{WallSet: &WallSet{time.Date(2026, 1, 14, 16, 30, 0, 0, time.UTC)}}
	obeying(t, strings.Replace(noClock("1m"), `"3h"`, `"30m"`, 1), map[uint64]Command{60: order}, func(s *Snapshot) {
		if s.Tick == 60 && !strings.Contains(s.Refused, "from the network") {
			t.Errorf("%q, want a refusal that names the network", s.Refused)
		}
		if s.Est.ClockSet != nil {
			t.Fatal("it was set all the same")
		}
	})
}

func TestNonsenseOfAClockIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		`{"wall_set":{"wall":"1970-01-01T00:00:00Z"}}`: "not between the years",
		`{"wall_set":{"wall":"2150-01-01T00:00:00Z"}}`: "not between the years",
		`{"wall_set":{}}`:                                              "not between the years",
		`{"wall_set":{"wall":"tomorrow"}}`:                             "tomorrow",
		`{"wall_set":{"wall":"2026-01-01T00:00:00Z","zone":"x"}}`:      "unknown field",
		`{"wall_set":{"wall":"2026-01-01T00:00:00Z"},"ack":"starved"}`: "2 things",
	} {
		if _, err := ParseCommand([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

// A restart without power is of unknown length, so what the phone said is no longer true;
// a reload in the same boot keeps it.
func TestWhatAPhoneSaidOfTheClockEndsWithTheBoot(t *testing.T) {
	sc, err := sim.Load(strings.NewReader(noClock("48h")), "orders")
	if err != nil {
		t.Fatal(err)
	}
	p := simParams(sim.New(sc, 0))
	phone := time.Date(2026, 1, 14, 16, 30, 0, 0, time.UTC)
	board := time.Date(2024, 3, 1, 0, 0, 0, 0, time.UTC)
	in := Input{Boot: "one", Stamp: sensors.Stamp{Up: time.Minute, Wall: board}, Readings: make([]sensors.Reading, len(p.Wiring))}
	in.Command = &Command{WallSet: &WallSet{phone}}
	first := New(p)
	saved := first.Step(in).Checkpoint

	for name, c := range map[string]struct {
		boot    string
		up      time.Duration
		wall    time.Time
		trusted bool
	}{
		"a reload":                            {"one", 2 * time.Minute, board.Add(time.Minute), true},
		"the board's clock stepped meanwhile": {"one", 2 * time.Minute, board.Add(time.Hour), false},
		"another boot":                        {"two", 2 * time.Minute, board.Add(time.Minute), false},
		"a boot with an earlier up":           {"two", time.Second, board, false},
	} {
		next := New(p)
		if err := next.Restore(saved); err != nil {
			t.Fatal(err)
		}
		s := next.Step(Input{Boot: c.boot, Stamp: sensors.Stamp{Up: c.up, Wall: c.wall}, Readings: make([]sensors.Reading, len(p.Wiring))})
		if s.Est.ClockTrusted != c.trusted {
			t.Errorf("%s: trusted %v, want %v", name, s.Est.ClockTrusted, c.trusted)
		}
		if want := phone.Add(time.Minute); c.trusted && !s.Stamp.Wall.Equal(want) {
			t.Errorf("%s: it is %v, want %v", name, s.Stamp.Wall, want)
		}
	}
}

// An exchange in the evening, with a meal cooked on what came.
const exchange = `
what = "another cylinder is put on"
tick = "10s"
start = 2026-01-14T16:00:00Z
duration = "3h"
[[events]]
at = "40m"
do = "exchange"
for = "7m"
tare_kg = 8.3
fill_kg = 6.8
`

func TestOrdersAboutAChangeReplay(t *testing.T) {
	on := map[uint64]Command{
		400: {Actor: "owner", Changed: &estimate.Change{Blend: estimate.MixBlend, Name: "red"}},
		420: {Actor: "owner", Undone: true},
		425: {Actor: "owner", Undone: true},
		430: {Actor: "owner", Changed: &estimate.Change{Blend: estimate.UnknownBlend, Name: "red"}},
		500: {Actor: "owner", Collar: &estimate.Collar{TareKg: 8.3, RequalifyBy: "2031-05"}},
	}
	var notes []Note
	obeying(t, exchange, on, func(s *Snapshot) {
		for _, e := range s.Events {
			if e.Note != nil {
				notes = append(notes, *e.Note)
			}
		}
		e := s.Est
		switch s.Tick {
		case 410:
			if e.Blend != estimate.MixBlend || e.CylinderName != "red" || e.UndoForS < 3000 {
				t.Errorf("said: %q %q, undo for %g s", e.CylinderName, e.Blend, e.UndoForS)
			}
		case 421:
			if e.Blend != "" || e.CylinderName != "" || e.UndoForS != 0 {
				t.Errorf("undone: %q %q, undo for %g s", e.CylinderName, e.Blend, e.UndoForS)
			}
		case 425:
			if !strings.Contains(s.Refused, "say again what is on the scale") {
				t.Errorf("undone twice: %q", s.Refused)
			}
		case 510:
			if e.Blend != estimate.UnknownBlend || !e.TareEntered || e.RequalifyBy != "2031-05" || e.FuelKg.Low > 6.8 || e.FuelKg.High < 6.7 {
				t.Errorf("in the end: %q, tare entered %v, %q, fuel %+v", e.Blend, e.TareEntered, e.RequalifyBy, e.FuelKg)
			}
		}
	})
	if len(notes) != 1 || notes[0] != (Note{Kind: ChangeUndone, Actor: "owner"}) {
		t.Errorf("noted %+v, want one undo by the owner", notes)
	}
}

func TestNonsenseAboutAChangeIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		`{"cylinder_changed":{"blend":"butane"}}`:                 "propane, mix, unknown",
		`{"collar_read":{}}`:                                      "nothing entered",
		`{"collar_read":{"tare_kg":-1}}`:                          "tare -1 kg is not between",
		`{"collar_read":{"requalify_by":"may"}}`:                  "not a month",
		`{"collar_read":{"tare_kg":8,"blend":"mix"}}`:             "unknown field",
		`{"change_undone":true,"cylinder_changed":{"same":true}}`: "2 things",
		`{"change_undone":false}`:                                 "nothing asked for",
	} {
		if _, err := ParseCommand([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

func TestTheHoursOfANightAreAnOrder(t *testing.T) {
	urgency := func(s *Snapshot) alerts.Priority {
		for _, a := range s.Alarms {
			if a.ID == "battery-low" {
				return a.Priority
			}
		}
		t.Fatal("no battery alarm")
		return 0
	}
	text := strings.Replace(exchange, `"3h"`, `"30m"`, 1)
	text = strings.Split(text, "[[events]]")[0]
	text = strings.Replace(text, "16:00:00Z", "11:00:00Z", 1)
	orders := map[uint64]Command{10: {Actor: "owner", Night: &NightWindow{"09:00", "15:00"}}, 60: {Night: &NightWindow{"21:00", "07:30"}}}
	obeying(t, text, orders, func(s *Snapshot) {
		switch s.Tick {
		case 9:
			if s.Night != (nights.Window{StartMin: 18 * 60, EndMin: 10 * 60}) || urgency(s) != alerts.Medium {
				t.Errorf("by day: %+v, %v", s.Night, urgency(s))
			}
		case 59: // what is no night by the old hours and one by the new waits
			if s.Night.StartMin != 18*60 || s.NextNight == nil || *s.NextNight != (nights.Window{StartMin: 9 * 60, EndMin: 15 * 60}) {
				t.Errorf("chosen for a time within it: %+v, then %+v", s.Night, s.NextNight)
			}
		case 61:
			if s.Night != (nights.Window{StartMin: 21 * 60, EndMin: 7*60 + 30}) || s.NextNight != nil || urgency(s) != alerts.Medium {
				t.Errorf("chosen by day: %+v, then %+v", s.Night, s.NextNight)
			}
		}
	})
	evening := strings.Replace(text, "11:00:00Z", "17:40:00Z", 1) // 18:40 in the van, so between
	obeying(t, evening, map[uint64]Command{10: {Night: &NightWindow{"21:00", "07:30"}}}, func(s *Snapshot) {
		if s.Tick == 20 && (s.NextNight == nil || s.Night.StartMin != 18*60) {
			t.Errorf("chosen while a night is lived: %+v, then %+v", s.Night, s.NextNight)
		}
	})
	for text, want := range map[string]string{
		`{"night_window":{"from":"18:00"}}`:                    "no time of day",
		`{"night_window":{"from":"18:00","to":"18:00"}}`:       "lasts 0 min",
		`{"night_window":{"from":"18:00","to":"17:00"}}`:       "lasts 1380 min",
		`{"night_window":{"from":"18:00:30","to":"10:00"}}`:    "no time of day",
		`{"night_window":{"from":"18:00","to":"10:00","x":1}}`: "unknown field",
	} {
		if _, err := ParseCommand([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

// TestOrdersInAnyOrder gives random orders to a van whose cylinder comes and goes, whose
// clock jumps and whose power is cut: nothing impossible comes out, what is kept stays
// bounded, and every checkpoint can be gone on from.
func TestOrdersInAnyOrder(t *testing.T) {
	p := simParamsOf(t, exchange)
	load, synced := p.Wiring.Index(sensors.LoadCounts), p.Wiring.Index(sensors.ClockSynced)
	lives := 40
	if testing.Short() {
		lives = 8
	}
	for seed := range lives {
		r := rand.New(rand.NewPCG(uint64(seed), 9))
		c, kg, cut := New(p), 12.7, 0
		var checkpoint []byte
		in := Input{Boot: "0", Stamp: sensors.Stamp{Wall: time.Unix(0, 0).UTC()}}
		for tick := range 600 {
			in.Stamp.Up += 10 * time.Second
			in.Stamp.Wall = in.Stamp.Wall.Add(10 * time.Second)
			in.Readings = make([]sensors.Reading, len(p.Wiring))
			switch r.IntN(80) {
			case 0:
				kg = []float64{0, 8.3 + 6.8, 7.7 + 9.1, 12.7, 0.2, 60}[r.IntN(6)]
			case 1:
				in.Stamp.Wall = time.Unix(r.Int64N(4e9), 0).UTC()
			case 2:
				cut++
				in.Boot, in.Stamp.Up = string(rune('a'+cut)), time.Second
				c = New(p)
				if err := c.Restore(checkpoint); err != nil && checkpoint != nil {
					t.Fatal(err)
				}
			}
			in.Readings[load] = sensors.Of(p.Estimate.Scale.ZeroCounts + kg*p.Estimate.Scale.CountsPerKg)
			if synced >= 0 && seed%3 == 0 {
				in.Readings[synced] = sensors.Of(float64(r.IntN(2)))
			}
			in.Command = nil
			if r.IntN(6) == 0 {
				in.Command = anyOrder(r, c)
			}
			s := c.Step(in)
			if s.Checkpoint != nil {
				checkpoint = s.Checkpoint
			}
			q := s.Est.FuelKg
			if q.Known() && !(0 <= q.Low && q.Low <= q.Value && q.Value <= q.High && q.High <= 1e3) {
				t.Fatalf("seed %d, tick %d: fuel %+v", seed, tick, q)
			}
			if len(s.Cards) > cardsMostN || len(s.Joints) > len(Joints()) || len(checkpoint) > 64<<10 {
				t.Fatalf("seed %d, tick %d: %d cards, %d joints, a checkpoint of %d bytes", seed, tick, len(s.Cards), len(s.Joints), len(checkpoint))
			}
			if s.Est.UndoForS < 0 || s.Est.UndoForS > 3600 || (s.Est.LastWord == nil) != (s.Est.UndoForS == 0) {
				t.Fatalf("seed %d, tick %d: undo for %g s of %+v", seed, tick, s.Est.UndoForS, s.Est.LastWord)
			}
			if s.Est.ClockSet != nil && !s.Est.ClockTrusted {
				t.Fatalf("seed %d, tick %d: a person set the clock and it is not trusted", seed, tick)
			}
			if _, err := json.Marshal(s); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// anyOrder is one of the orders about cylinders, clock, night, joints and cards; many are
// refused.
func anyOrder(r *rand.Rand, c *Core) *Command {
	blend := []estimate.Blend{"", estimate.PropaneBlend, estimate.MixBlend, estimate.UnknownBlend}[r.IntN(4)]
	name := []string{"", "red", "blue"}[r.IntN(3)]
	tareKg := []float64{0, 7.7, 8.3, 79}[r.IntN(4)]
	switch r.IntN(9) {
	case 0:
		return &Command{Changed: &estimate.Change{Blend: blend, Name: name, TareKg: tareKg}}
	case 1:
		return &Command{Changed: &estimate.Change{Same: true, Blend: blend}}
	case 2:
		return &Command{Undone: true}
	case 3:
		return &Command{Collar: &estimate.Collar{TareKg: tareKg, CapacityKg: []float64{0, 9.1, 13}[r.IntN(3)]}}
	case 4:
		return &Command{WallSet: &WallSet{time.Unix(r.Int64N(4.2e9), 0)}}
	case 5:
		return &Command{Night: &NightWindow{[]string{"18:00", "21:30", "02:00"}[r.IntN(3)], []string{"10:00", "07:00"}[r.IntN(2)]}}
	case 6:
		return &Command{Joint: &JointCheck{Joints()[r.IntN(len(Joints()))], []string{Bubbles, NoBubbles}[r.IntN(2)]}}
	case 7:
		if len(c.cards.list) > 0 {
			return &Command{Answered: &Answer{Card: c.cards.list[0].Seq, Choice: []string{Dismissed, "test", "cooking"}[r.IntN(3)]}}
		}
	}
	return &Command{AckAudible: true}
}
