package web

import (
	"fmt"
	"hash/fnv"
	"html/template"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

// view is the page as words: everything the template prints, and nothing it must decide by
// numbers.
type view struct {
	Known    bool
	Stale    bool
	Late     string // how old, when stale
	Read     string
	Ago      string // one age for the page; the script lets it grow
	AgeS     int
	Clock    string
	ClockAsk bool   // the board does not know the time of day, and nothing more urgent stands
	ClockNow string // what it takes the time of day for; empty if nobody may be asked
	Zone     string
	Verdict  string
	Odds     string
	Facts    []string
	Ask      string // what to look at before bed
	Wake     string
	Unkept   string      // that nothing is kept, where something should be
	Place    []alarmView // they take the first place of the page; empty in quiet times
	Gas      bool        // one of Place is about gas
	Out      bool        // one of Place sends people out: nothing asks for a tap inside
	Outside  []alarmView // then: alarms to be answered from outside, once everyone is out
	Others   []alarmView // every other alarm that is not normal
	Tonight  []row
	Now      []row
	Absent   string // what is not fitted
	Costs    []row
	Watch    string
	Told     []toldView
	Sees     string     // what a weight watch can tell, now and later
	Cards    []cardView // ask what an alarm was
	Asked    bool       // a weight watch was asked for
	Cert     string
	Shape    string // changes when the page must be drawn anew, not only its texts
}

// row is one line of the page: word, number, unit, interval, and what should be known of it.
type row struct {
	Key   string
	Word  string
	Value string
	Unit  string
	Range string
	Note  string
	Known bool
	Trace template.HTML

	Series string // of the history
	past   string // what its numbers are, where not the row's
	unit   show.Unit
}

// alarmView is one alarm as words.
type alarmView struct {
	ID       string
	Priority string
	Title    string
	Steps    []string // what to do, first thing first
	Meaning  string
	Why      string
	State    string
	Since    string
	Urgent   bool // critical
	Leave    bool
	About    bool // about air: the certified alarm is named with it
	CanAck   bool
	CanReset bool
	CanShelf bool
	Shelved  bool
}

// view says a frame in words for one phone.
func (s *Server) view(f *frame, l look) view {
	v := view{Stale: f.stale(), Cert: certified, Wake: s.wake(f.snap), Told: s.told.views()}
	if s.opt.Unkept { // a store that opens later cannot be joined: its events have other numbers, its state is another run's
		v.Unkept = "Nothing is kept: the store could not be opened at the start, and the log of the board says why. " +
			"Nights and charts are missing for that, and a power cut takes what is entered or acknowledged. See to the disk, then restart frostline."
	}
	if !f.whole() {
		v.Verdict = "Nothing known yet."
		v.Facts = []string{"The first readings have not come in. The gas watch is blind until they do."}
		v.Shape = v.shape(f)
		return v
	}
	snap, e := f.snap, f.snap.Est
	v.Known = true
	v.Read, v.Clock = s.read(snap)
	v.Ago, v.AgeS = show.Age(time.Since(f.at)), int(f.ageS())
	v.Late = show.Duration(time.Since(f.at))
	v.Verdict, v.Odds, v.Facts = snap.Tonight.Verdict, snap.Tonight.Odds, snap.Tonight.Facts
	if v.Verdict == "" {
		v.Verdict = "Tonight cannot be said yet."
	}
	v.Ask = frostAsk(snap.Tonight.ExpectedLowC)
	v.Place, v.Others = s.alarmViews(snap)
	v.Out = sentOut(snap)
	for _, a := range slices.Concat(v.Place, v.Others) {
		if v.Out && (a.CanAck || a.CanReset || a.CanShelf || a.Shelved) {
			v.Outside = append(v.Outside, a)
		}
	}
	v.Gas = slices.ContainsFunc(v.Place, func(a alarmView) bool { return a.About })
	v.ClockAsk = !e.ClockTrusted && !v.Out
	v.Zone = s.opt.Zone.String()
	if e.ClockTrusted && !v.Out && !fromNetwork(e) {
		v.ClockNow = s.moment(snap.Stamp.Wall)
	}
	v.Tonight = tonightRows(f, l)
	v.Now, v.Absent = nowRows(f, l)
	v.Costs = costRows(f, l)
	v.Watch, v.Sees, v.Asked = watchLine(e.Watch), watchSees(e.Watch), e.Watch.Asked
	v.Cards = s.cardViews(snap)
	v.in(l)
	v.Shape = v.shape(f)
	return v
}

// in says the texts of the core, which are metric, in the units of the phone.
func (v *view) in(l look) {
	say := l.choice().Text
	all := func(texts []string) []string {
		out := make([]string, 0, len(texts))
		for _, text := range texts {
			out = append(out, say(text))
		}
		return out
	}
	v.Facts = all(v.Facts)
	for _, list := range [][]alarmView{v.Place, v.Others, v.Outside} {
		for i, a := range list {
			list[i].Why, list[i].Meaning, list[i].State, list[i].Steps = say(a.Why), say(a.Meaning), say(a.State), all(a.Steps)
		}
	}
	for _, list := range [][]row{v.Tonight, v.Now, v.Costs} {
		for i, r := range list {
			list[i].Note = say(r.Note)
		}
	}
	v.Watch, v.Sees = say(v.Watch), say(v.Sees)
}

// frostAsk is asked when the night may freeze: snow in a flue or before a vent is carbon
// monoxide inside (product.md, rules from the van).
func frostAsk(low estimate.Quantity) string {
	if low.Known() && low.Value <= 1 {
		return "Flue, roof vent and locker low vent clear of snow?"
	}
	return ""
}

// wake says whether anything here can wake a sleeper: a sounder that is fitted and that a
// person has heard, by the configuration or at a drill.
func (s *Server) wake(snap *core.Snapshot) string {
	switch {
	case s.opt.Sounder, s.opt.Drill != nil && snap != nil && snap.Heard != nil:
		return ""
	case s.opt.Drill != nil:
		return "Nothing here can wake you: nobody has heard the sounder yet. frostline drill plays it."
	}
	return "Nothing here can wake you: no tested sounder is fitted."
}

// read is when the page's numbers were read; how long ago that is follows it. A clock that
// is not trusted names no hour and is said.
func (s *Server) read(snap *core.Snapshot) (when, clock string) {
	clock = s.clockSays(snap.Est)
	if !snap.Est.ClockTrusted {
		return "Read", clock
	}
	return "Read at " + s.clock(snap.Stamp.Wall) + ",", clock
}

func (s *Server) clock(t time.Time) string { return show.Clock(t, s.opt.Zone) }

// texts are the words that change while the shape of the page stays, by the keys the
// elements carry.
func (s *Server) texts(f *frame, l look) map[string]string {
	v := s.view(f, l)
	out := map[string]string{"shape": v.Shape, "read": v.Read, "clock": v.Clock, "verdict": v.Verdict, "odds": v.Odds, "watch": v.Watch, "watch.sees": v.Sees}
	for _, p := range v.Told {
		out["told."+p.Name] = p.State
	}
	for i, fact := range v.Facts {
		out["fact."+strconv.Itoa(i)] = fact
	}
	calibrateTexts(f, out)
	for _, rows := range [][]row{v.Tonight, v.Now, v.Costs} {
		for _, r := range rows {
			out[r.Key], out[r.Key+".unit"], out[r.Key+".range"], out[r.Key+".note"] = r.Value, r.Unit, r.Range, r.Note
		}
	}
	for _, list := range [][]alarmView{v.Place, v.Others} {
		for _, a := range list {
			out["alarm."+a.ID], out["state."+a.ID] = a.Why, a.State
		}
	}
	return out
}

// redraw is how often an open page is drawn anew for its pictures, by real time.
const redraw = 10 * time.Minute

// shape is a short sum of everything a text patch cannot change.
func (v view) shape(f *frame) string {
	h := fnv.New64a()
	add := func(parts ...string) {
		for _, p := range parts {
			h.Write([]byte(p))
			h.Write([]byte{0})
		}
	}
	add(strconv.FormatBool(v.Known), v.Absent, v.Wake, v.Ask, strconv.FormatBool(v.Asked), strconv.FormatBool(v.ClockAsk))
	add(strconv.Itoa(len(v.Facts)))
	for _, list := range [][]alarmView{v.Place, v.Others} {
		add("list")
		for _, a := range list {
			add(a.ID, a.Priority, a.Title, a.Since, fmt.Sprint(a.CanAck, a.CanReset, a.CanShelf, a.Shelved), a.Meaning)
			add(a.Steps...)
		}
	}
	for _, c := range v.Cards {
		add("card", strconv.FormatUint(c.Seq, 10))
	}
	for _, r := range slices.Concat(v.Tonight, v.Now, v.Costs) {
		add(r.Key, strconv.FormatBool(r.Known))
	}
	if v.Known {
		add(strconv.FormatInt(f.at.Unix()/int64(redraw.Seconds()), 10))
	}
	return strconv.FormatUint(h.Sum64(), 36)
}

// alarmViews parts the alarms into those that take the first place of the page (all of the
// highest priority that calls for it, and before any other what sends people out) and the
// rest that are not normal.
func (s *Server) alarmViews(snap *core.Snapshot) (place, others []alarmView) {
	list := slices.DeleteFunc(slices.Clone(snap.Alarms), func(a alerts.Status) bool {
		// That nobody asked for MQTT is no notice on a page.
		return a.State == alerts.Normal || a.State == alerts.Suppressed && strings.HasPrefix(a.SuppressedBy, alerts.BrokerNotConfigured)
	})
	slices.SortStableFunc(list, func(a, b alerts.Status) int {
		if a.State.Standing() != b.State.Standing() {
			return int(a.State) - int(b.State) // shelved, suppressed and out of service stand last
		}
		if out := a.SendsOut && takesPlace(a); out != (b.SendsOut && takesPlace(b)) {
			if out {
				return -1
			}
			return 1
		}
		if a.Priority != b.Priority {
			return int(b.Priority) - int(a.Priority)
		}
		return int(a.State) - int(b.State)
	})
	for _, a := range list {
		v := s.alarmView(a, snap)
		if takesPlace(a) && (len(place) == 0 || place[0].Priority == v.Priority) {
			place = append(place, v)
		} else {
			others = append(others, v)
		}
	}
	return place, others
}

// takesPlace reports whether the alarm stands where the verdict stands in quiet times. A
// notice never does; a medium alarm gives the place back once it is acknowledged.
func takesPlace(a alerts.Status) bool {
	switch {
	case a.Silent:
		return false
	case a.State == alerts.Unacked:
		return a.Priority >= alerts.Medium
	case a.State == alerts.Acked, a.State == alerts.LatchedUnacked, a.State == alerts.LatchedAcked:
		return a.Priority >= alerts.High
	case a.State == alerts.Returned:
		return a.SendsOut
	}
	return false
}

func (s *Server) alarmView(a alerts.Status, snap *core.Snapshot) alarmView {
	v := alarmView{ID: a.ID, Priority: a.Priority.String(), Title: a.Title, Steps: sentences(a.Action),
		Meaning: a.Meaning, Why: a.Why, State: stateLine(a, snap.Stamp.Up),
		Urgent: a.Priority == alerts.Critical, Leave: a.SendsOut,
		About:    a.Class == alerts.ClassGas,
		CanAck:   a.State == alerts.Unacked || a.State == alerts.Returned || a.State == alerts.LatchedUnacked,
		CanReset: a.State == alerts.LatchedAcked,
		CanShelf: a.CanShelve && (a.State == alerts.Unacked || a.State == alerts.Acked || a.State == alerts.Returned),
		Shelved:  a.State == alerts.Shelved}
	if snap.Est.ClockTrusted && !a.SinceWall.IsZero() {
		v.Since = "since " + s.clock(a.SinceWall)
	}
	return v
}

// gone is how the end of a condition is worded. What fell at a gas sensor is not gone.
func gone(a alerts.Status) string {
	switch {
	case a.ID == "gas-leave", a.ID == "gas-warning", a.ID == "gas-trace":
		return "Level fell, cause unknown"
	case a.ID == "gas-blind":
	case a.Class == alerts.ClassGas, a.Class == alerts.ClassCO:
		return "No longer seen, cause unknown"
	}
	return "Condition gone"
}

// stateLine says the state of an alarm in words. What fell is not gone.
func stateLine(a alerts.Status, up time.Duration) string {
	line := ""
	switch a.State {
	case alerts.Unacked:
		line = "Not acknowledged"
	case alerts.Acked:
		line = "Acknowledged, still on"
	case alerts.Returned:
		line = gone(a) + ", not acknowledged"
	case alerts.LatchedUnacked:
		line = gone(a) + ", held until acknowledged and reset"
	case alerts.LatchedAcked:
		line = gone(a) + ", held until a person resets it"
	case alerts.Shelved:
		line = "Shelved for another " + show.Duration(max(0, a.ShelvedUntilUp-up))
	case alerts.Suppressed:
		line = "Suppressed: " + a.SuppressedBy
	case alerts.OutOfService:
		line = "Out of service"
	}
	if a.Quality < sensors.Suspect && a.State != alerts.OutOfService {
		line += "; its sensor cannot be believed now, so the alarm stands"
	}
	return line + "."
}

// sentences parts an action into its steps, in order.
func sentences(text string) []string {
	var out []string
	for text != "" {
		step, rest, more := strings.Cut(text, ". ")
		if more {
			step += "."
		}
		out = append(out, step)
		text = rest
	}
	return out
}

func watchLine(w estimate.WeightWatch) string {
	switch {
	case w.Suspected:
		return "Weight is falling with everything off: " + w.Why
	case w.Asked && w.Quiet && w.SmallestGPerH.Known():
		return "Watching. No loss above " + show.Number(w.SmallestGPerH.High, show.GPerH) + " seen; this is not a tightness test."
	case w.Asked && w.Quiet:
		return "Watching. Nothing can be said yet; this is not a tightness test."
	case w.Asked:
		return "Asked for, not watching: " + w.Why
	}
	return "Not asked for."
}
