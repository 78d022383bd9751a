package core

import (
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// pack is cards on their own, with one alarm that moves as the test says.
type pack struct {
	cards
	t     *testing.T
	up    time.Duration
	wall  time.Time // of up 0
	seq   uint64
	state map[string]alerts.State
	blind bool // the clock is not trusted
}

func newPack(t *testing.T, wall string) *pack {
	at, err := time.Parse(time.RFC3339, wall)
	if err != nil {
		t.Fatal(err)
	}
	return &pack{t: t, wall: at, state: map[string]alerts.State{}}
}

// after lives d, then moves an alarm, and says which cards are asked.
func (p *pack) after(d time.Duration, id string, to alerts.State) []Card {
	p.up += d
	p.seq++
	s := &Snapshot{Stamp: sensors.Stamp{Up: p.up, Wall: p.wall.Add(p.up)}, Est: &estimate.Estimates{ClockTrusted: !p.blind}}
	if from := p.state[id]; id != "" && from != to {
		p.state[id] = to
		s.Events = append(s.Events, Event{Stamp: s.Stamp, Seq: p.seq, Alarm: &alerts.Transition{ID: id, From: from.String(), To: to.String()}})
	}
	for id, st := range p.state { // into a list that is searched by id
		s.Alarms = append(s.Alarms, alerts.Status{ID: id, State: st})
	}
	return p.step(s, time.FixedZone("van", 3600))
}

func TestACardIsAskedByDaylightOnceTheAlarmIsOver(t *testing.T) {
	p := newPack(t, "2026-01-14T02:00:00Z") // 03:00 in the van
	ask := func(d time.Duration, id string, to alerts.State, want int, when string) []Card {
		t.Helper()
		got := p.after(d, id, to)
		if len(got) != want {
			t.Errorf("%s: %d cards, want %d", when, len(got), want)
		}
		return got
	}
	ask(0, "starved", alerts.Unacked, 0, "in the alarm")
	ask(time.Minute, "starved", alerts.Acked, 0, "acknowledged")
	ask(2*time.Hour, "starved", alerts.Normal, 0, "over, at five in the night")
	ask(time.Hour, "starved", alerts.Unacked, 0, "again at six")
	ask(time.Minute, "starved", alerts.Returned, 0, "over again")
	ask(time.Hour+57*time.Minute, "", 0, 0, "a minute before eight")
	got := ask(time.Minute, "", 0, 1, "at eight, though nobody has acknowledged it")
	if got[0].Alarm != "starved" || got[0].TimesN != 2 || got[0].Seq != 1 || !got[0].Wall.Equal(p.wall) {
		t.Errorf("the card is %+v, want one for both, with the first one's number and hour", got[0])
	}
	ask(13*time.Hour, "", 0, 0, "nine in the evening belongs to the night that comes")
	ask(time.Hour, "pipe-cold", alerts.Unacked, 0, "another one at ten")
	ask(time.Hour, "pipe-cold", alerts.Normal, 0, "over, by night")
	ask(time.Hour, "starved", alerts.Unacked, 0, "the first one is back: not now")
	ask(2*time.Hour, "starved", alerts.Normal, 0, "and over, by night")
	if got := ask(8*time.Hour, "", 0, 3, "at ten the next morning"); got[1].Alarm != "pipe-cold" || got[2].TimesN != 1 {
		t.Errorf("cards %+v", got)
	}
	if _, err := p.answer(Answer{Card: 1, Choice: "valve-shut"}, "owner"); err != nil {
		t.Error(err)
	}
	ask(time.Second, "", 0, 2, "one answered")
	if _, err := p.answer(Answer{Card: 1, Choice: "valve-shut"}, "owner"); err == nil || !strings.Contains(err.Error(), "no card 1") {
		t.Errorf("answered twice: %v", err)
	}
}

func TestWhereNobodyKnowsTheHourACardWaitsForTheAcknowledgement(t *testing.T) {
	p := newPack(t, "1970-01-01T00:00:00Z")
	p.blind = true
	p.after(0, "gas-warning", alerts.Unacked)
	if got := p.after(3*time.Hour, "gas-warning", alerts.Returned); len(got) != 0 {
		t.Errorf("asked %+v before anybody acknowledged", got)
	}
	got := p.after(time.Second, "gas-warning", alerts.Normal)
	if len(got) != 1 || !got[0].Wall.IsZero() {
		t.Errorf("asked %+v, want one card without an hour", got)
	}
}

func TestNobodyIsAskedAboutTheProgramOrWithoutEnd(t *testing.T) {
	p := newPack(t, "2026-01-14T10:00:00Z")
	for _, id := range []string{"gas-blind", "gas-trace", "sensor-fault", "monitoring-lost", "clock-untrusted", "tonight-short"} {
		p.after(time.Minute, id, alerts.Unacked)
		if got := p.after(2*time.Hour, id, alerts.Normal); len(got) != 0 {
			t.Errorf("asked what %s was", id)
		}
		p.wall = p.wall.Add(-2 * time.Hour) // it stays day
	}
	for range 20 {
		p.after(time.Second, "starved", alerts.Unacked)
		p.after(2*time.Hour, "starved", alerts.Normal)
		p.wall = p.wall.Add(-2 * time.Hour)
	}
	if got := p.after(0, "", 0); len(got) != cardsMostN {
		t.Errorf("%d cards wait, want %d at most", len(got), cardsMostN)
	}
}

func TestEveryAlarmAskedAboutIsInTheCatalogue(t *testing.T) {
	asked := 0
	for _, r := range alerts.Catalogue(alerts.Defaults()) {
		if Choices(r.ID) != nil {
			asked++
			if r.Silent {
				t.Errorf("%s never sounds, and a card asks about it", r.ID)
			}
		}
	}
	if asked != 8 {
		t.Errorf("%d alarms of the catalogue are asked about, want 8: an id has changed", asked)
	}
}

// A heater calls in vain in the evening; the next morning its owner says why. Joints are
// brushed in between.
func TestAnswersAndJointsReplayAndSurviveARestart(t *testing.T) {
	text := `
what = "the valve is shut for an evening"
tick = "10s"
start = 2026-01-14T20:00:00Z
duration = "14h"
[[events]]
at = "30m"
do = "valve"
on = false
[[events]]
at = "90m"
do = "valve"
on = true
`
	orders := map[uint64]Command{
		100:  {Joint: &JointCheck{"valve-outlet", Bubbles}},
		110:  {Joint: &JointCheck{"pigtail", NoBubbles}},
		120:  {Actor: "owner", Joint: &JointCheck{"valve-outlet", NoBubbles}},
		4800: {Actor: "owner", Answered: &Answer{Card: 0, Choice: "valve-shut", Text: "shut for the drive"}},
	}
	var card uint64
	var checkpoint []byte // newest
	obeyingAs(t, text, func(tick uint64) *Command {
		cmd, ok := orders[tick]
		if !ok {
			return nil
		}
		if cmd.Answered != nil {
			cmd.Answered = &Answer{Card: card, Choice: cmd.Answered.Choice, Text: cmd.Answered.Text}
		}
		return &cmd
	}, func(s *Snapshot) {
		if s.Checkpoint != nil {
			checkpoint = s.Checkpoint
		}
		for _, e := range s.Events {
			if e.Alarm != nil && e.Alarm.ID == "starved" && e.Alarm.To == "unacknowledged" && card == 0 {
				card = e.Seq
			}
			if n := e.Note; n != nil && n.Kind == AlarmAnswer && *n != (Note{Kind: AlarmAnswer, Actor: "owner", Alarm: "starved", Of: card, Choice: "valve-shut", Text: "shut for the drive"}) {
				t.Errorf("noted %+v", *n)
			}
		}
		switch s.Tick {
		case 130:
			if len(s.Joints) != 2 || s.Joints[1] != (JointAnswer{JointCheck{"valve-outlet", NoBubbles}, s.Joints[1].Wall}) || s.Joints[1].Wall.IsZero() {
				t.Errorf("joints %+v, want the newer answer, at its hour", s.Joints)
			}
		case 4799:
			if len(s.Cards) != 1 || s.Cards[0].Seq != card {
				t.Errorf("by day: %+v, want one card about event %d", s.Cards, card)
			}
			c := New(simParamsOf(t, text))
			if err := c.Restore(checkpoint); err != nil {
				t.Fatal(err)
			}
			next := Input{Boot: "next", Stamp: s.Stamp, Readings: make([]sensors.Reading, len(c.p.Wiring))}
			next.Stamp.Up, next.Stamp.Wall = time.Second, s.Stamp.Wall.Add(30*time.Minute)
			next.Readings[c.p.Wiring.Index(sensors.ClockSynced)] = sensors.Of(1)
			if again := c.Step(next); len(again.Cards) != 1 || again.Cards[0] != s.Cards[0] || len(again.Joints) != 2 {
				t.Errorf("after a restart: %+v, %+v", again.Cards, again.Joints)
			}
		case 4801:
			if len(s.Cards) != 0 {
				t.Errorf("answered, and still asked: %+v", s.Cards)
			}
		}
	})
	if card == 0 {
		t.Fatal("the heater never starved")
	}
}

func TestAnotherCylinderNeedsAnotherCheck(t *testing.T) {
	orders := map[uint64]Command{100: {Joint: &JointCheck{"pigtail", NoBubbles}}, 400: {Joint: &JointCheck{"pigtail", NoBubbles}},
		450: {Changed: &estimate.Change{}}}
	obeying(t, exchange, orders, func(s *Snapshot) {
		want := map[uint64]int{99: 0, 101: 1, 399: 0, 401: 1, 451: 0}
		if n, asked := want[s.Tick]; asked && len(s.Joints) != n {
			t.Errorf("tick %d: %d joints, want %d", s.Tick, len(s.Joints), n)
		}
	})
}

func TestNonsenseInAnswersIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		`{"joint_checked":{"joint":"pigtail"}}`:                                                      "neither",
		`{"joint_checked":{"joint":"elbow","result":"bubbles"}}`:                                     "none of valve-outlet",
		`{"alarm_answered":{"choice":"cooking"}}`:                                                    "name the card",
		`{"alarm_answered":{"card":4}}`:                                                              "choose what",
		`{"alarm_answered":{"card":-4,"choice":"cooking"}}`:                                          "number -4",
		`{"alarm_answered":{"card":4,"choice":"cooking","text":"a\nb"}}`:                             "one line",
		`{"alarm_answered":{"card":4,"choice":"cooking","text":"` + strings.Repeat("x", 201) + `"}}`: "201 bytes",
	} {
		if _, err := ParseCommand([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.80s: %v, want %q", text, err, want)
		}
	}
	c := cards{list: []waiting{{Card: Card{Seq: 4, Alarm: "starved"}}}}
	if _, err := c.answer(Answer{Card: 4, Choice: "cooking"}, ""); err == nil || len(c.list) != 1 {
		t.Errorf("a heater that starved was cooking: %v", err)
	}
}
