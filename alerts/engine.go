package alerts

import (
	"cmp"
	"slices"
	"time"

	"frostline/daemon/show"
	"frostline/sensors"
)

const (
	// maxShelf is the longest an alarm may be off the list, extensions included
	// (sensing.md 6.2).
	maxShelf = 8 * time.Hour
	// longestGap is three of the longest ticks, as for a silent channel. Nobody looked for
	// longer than that, so what was clearing starts clearing again.
	longestGap = 30 * time.Second
)

// Engine is the alarm machine of ISA-18.2: every alarm of a catalogue in one of nine states,
// moved by [Engine.Step] and by the operator's verbs along the table of sensing.md 6.2 and
// in no other way.
//
// A condition is "on" once it was true for the rule's on-delay and "off" once it was false
// beyond its deadband for the off-delay; an unknown answer changes neither, and one that lasts
// starts the off-delay again. Where the table lets an alarm leave G, H or I to normal, a
// latching one whose condition had been on goes to "latched, unacknowledged" instead: only a
// reset by a person takes a latch off. In H there is no off-delay, because what was suppressed
// may be about a cylinder that is gone.
//
// It has one owner and reads no clock. The slices it returns are never changed afterwards.
type Engine struct {
	set    Setpoints
	alarms []alarm
	status []Status
	stale  bool         // status must be built anew
	gone   []Transition // ends of saved alarms that this program does not have, still to be told

	stepped bool
	up      time.Duration // of the last Step
	quiet   bool          // quiet hours, as of the last Step
}

// alarm is one rule and where it stands.
type alarm struct {
	rule  *Rule
	state State
	on    bool // the condition, after delays and deadband
	owed  bool // a latching alarm has been on and no person has reset it

	raising, clearing     bool // a delay is running
	raisingUp, clearingUp time.Duration
	falseUp               time.Duration // while clearing, when the answer was last false

	truth    Truth
	quality  sensors.Quality
	priority Priority
	why      string // of the last move
	judged   bool   // quality is of this engine
	seen     bool   // priority and parts are of this boot: what is more than they were is news
	urgent   bool   // the priority has risen while it stood
	grew     bool   // a part has joined while it stood
	parts    uint64 // that have been behind it since it was raised
	fault    string // why it cannot be believed now; "" if it can

	sinceUp   time.Duration
	sinceWall time.Time
	soundUp   time.Duration // start of the re-alarm timer
	whyUp     time.Duration // when why and advice were put into words
	advice    string        // in place of the rule's action; "" if that stands
	shelvedUp time.Duration // first shelving; an extension counts from here
	untilUp   time.Duration
	by        string // named suppression

	sounding bool
	soundN   uint64
	raisedN  uint64
	restored bool // not stepped since a restart
}

// NewEngine makes an engine with every alarm normal. The rules are kept in their order,
// which is the order of [Engine.Status]; two rules of one id are a mistake in the program
// and panic.
func NewEngine(rules []Rule, set Setpoints) *Engine {
	e := &Engine{set: set, stale: true, alarms: make([]alarm, len(rules))}
	for i := range rules {
		if j := e.index(rules[i].ID); j >= 0 {
			panic("alerts: two rules named " + rules[i].ID)
		}
		r := rules[i]
		e.alarms[i] = alarm{rule: &r, priority: r.Priority, quality: sensors.Missing}
	}
	return e
}

// SetNight says when "at night" priorities hold, in minutes after local midnight, if they are
// other hours than the setpoints say.
func (e *Engine) SetNight(fromMin, toMin int) { e.set.NightFromMin, e.set.NightToMin = fromMin, toMin }

// index is the place of the alarm named id, or -1.
func (e *Engine) index(id string) int {
	for i := range e.alarms {
		if e.alarms[i].rule != nil && e.alarms[i].rule.ID == id {
			return i
		}
	}
	return -1
}

// Step judges every rule by the facts of one tick and returns the changes of state, in
// catalogue order; nil in most ticks. It fills in f.AtNight. Up that runs backwards is a
// new boot: states are carried over as by [Engine.Restore].
func (e *Engine) Step(f *Facts) []Transition {
	up := f.Stamp.Up
	if e.stepped && up < e.up {
		e.Restore(e.Save())
	}
	gap := e.stepped && up-e.up > longestGap
	trusted := f.Est.ClockTrusted
	f.AtNight = e.set.Night(f.Stamp.Wall, trusted)
	e.quiet = e.set.Quiet(f.Stamp.Wall, trusted)

	moves := e.gone
	e.gone = nil
	for i := range e.alarms {
		a := &e.alarms[i]
		if a.restored {
			moves = e.restart(a, f, moves)
		}
		e.judge(a, f, gap)
		moves = e.advance(a, f, moves)
		e.sound(a)
	}
	e.stepped, e.up = true, up
	return moves
}

// judge asks the rule and runs the delays.
func (e *Engine) judge(a *alarm, f *Facts, gap bool) {
	truth := a.rule.Test(f, a.on)
	quality := a.rule.quality(f, truth)
	before := a.seen // a restart tells what stands by its own column
	a.seen = true
	if quality != a.quality || !a.judged {
		a.quality, a.judged, e.stale = quality, true, true
		a.fault = ""
		if quality < sensors.Suspect {
			a.fault = a.rule.why(f)
		}
	}
	if p := a.rule.priority(f); p != a.priority {
		a.urgent = before && a.on && p > a.priority
		a.priority, e.stale = p, true
	}
	a.count(f, before)
	a.truth = truth
	clearing := a.clearing
	a.settle(truth, f.Stamp.Up, gap)
	if a.clearing != clearing {
		e.stale = true // it is said
	}
}

// count follows the parts of a condition that has several, as the sensors of one fault
// alarm: a part that joins while the alarm stands is news, once each.
func (a *alarm) count(f *Facts, before bool) {
	if a.rule.Parts == nil {
		return
	}
	parts := a.rule.Parts(f)
	if !a.on || !before {
		a.parts = parts
		return
	}
	if parts&^a.parts != 0 {
		a.grew = true
	}
	a.parts |= parts
}

// settle turns the answers of single ticks into a condition that is on or off. Delays are
// lengths of Up between ticks and so never come out shorter than stated.
func (a *alarm) settle(truth Truth, up time.Duration, gap bool) {
	switch truth {
	case True:
		a.clearing = false
		if a.on {
			return
		}
		if !a.raising {
			a.raising, a.raisingUp = true, up
		}
		if up-a.raisingUp >= a.rule.OnDelay {
			a.on, a.raising = true, false
			a.owed = a.owed || a.rule.Latch
		}
	case False:
		a.raising = false
		if !a.on {
			return
		}
		if !a.clearing || gap {
			a.clearing, a.clearingUp = true, up
		}
		a.falseUp = up
		if up-a.clearingUp >= a.rule.OffDelay || a.state == Suppressed {
			a.on, a.clearing = false, false
		}
	case Unknown:
		a.clearing = a.clearing && a.coasts() && up-a.falseUp <= longestGap
	}
}

// coasts reports whether a doubt as short as a missed reading leaves an off-delay running: a
// reading of ten seconds every half hour would hold the alarm for ever. Not of gas and carbon
// monoxide, where a doubt may be what is looked for.
func (a *alarm) coasts() bool { return a.rule.Class != ClassGas && a.rule.Class != ClassCO }

// advance moves the alarm by suppression, condition and timers: the columns SUP, ON, OFF,
// UNSHELVE and re-alarm of the table.
func (e *Engine) advance(a *alarm, f *Facts, moves []Transition) []Transition {
	if done, next := e.suppress(a, f, moves); done {
		return next
	}
	st, up := f.Stamp, f.Stamp.Up
	switch a.state {
	case Normal, Returned, LatchedUnacked, LatchedAcked:
		if a.on {
			e.advise(a, f)
			return e.move(a, Unacked, st, a.rule.because("", f), "", moves)
		}
	case Unacked, Acked:
		if !a.on {
			return e.move(a, a.whenOff(), st, a.rule.fell(f), "", moves)
		}
		if a.urgent || a.grew { // a higher level entering always sounds
			cause := "more urgent now"
			if a.grew {
				cause = cmp.Or(a.rule.Joined, "one more")
			}
			return e.move(a, Unacked, st, a.rule.because(cause, f), "", moves)
		}
		e.reword(a, f)
		if a.rule.ReAlarm == 0 || up-a.soundUp < a.rule.ReAlarm {
			break
		}
		if a.state == Acked {
			return e.move(a, Unacked, st, a.rule.because("still standing after it was acknowledged", f), "", moves)
		}
		a.soundUp, e.stale = up, true
		a.soundN++
	case Shelved:
		if up >= a.untilUp {
			e.advise(a, f)
			return e.move(a, a.back(), st, a.rule.because("shelving ended", f), "", moves)
		}
	}
	return moves
}

// whyAge is how old the numbers behind a standing alarm may get: who looks at it in the
// night reads what holds now, and a retained message does not change with every tick.
const whyAge = time.Minute

// reword puts the newest numbers behind an alarm whose condition holds. It is no change of
// state, so no transition tells it.
func (e *Engine) reword(a *alarm, f *Facts) {
	if a.truth != True || f.Stamp.Up-a.whyUp < whyAge {
		return
	}
	a.whyUp = f.Stamp.Up
	if why := a.rule.why(f); why != "" && why != a.why {
		a.why, e.stale = why, true
	}
	e.advise(a, f)
}

// advise takes the facts' advice while the alarm's condition holds. Without it, and after a
// restart until it is judged again, the rule's own action stands.
func (e *Engine) advise(a *alarm, f *Facts) {
	if a.rule.Advise == nil {
		return
	}
	if advice := a.rule.Advise(f); advice != a.advice {
		a.advice, e.stale = advice, true
	}
}

// suppress handles the named rules: into H while one holds, out of it afterwards. It is done
// with the alarm for this tick if it moved it, or if nothing else can.
func (e *Engine) suppress(a *alarm, f *Facts, moves []Transition) (done bool, _ []Transition) {
	by := ""
	if a.rule.Suppressed != nil {
		by = a.rule.Suppressed(f)
	}
	if by == "" && e.said(a) {
		by = SameCause
	}
	switch {
	case a.state == OutOfService:
		return true, moves
	case a.state == Suppressed && by == "":
		was := a.by
		a.by = ""
		e.advise(a, f)
		return true, e.move(a, a.back(), f.Stamp, a.rule.because("no longer suppressed by design: "+was, f), "", moves)
	case a.state == Suppressed:
		if by != a.by {
			a.by, e.stale = by, true
		}
		return true, moves
	case by != "":
		a.by = by
		return true, e.move(a, Suppressed, f.Stamp, "suppressed by design: "+by, "", moves)
	}
	return false, moves
}

// said reports whether the condition of an alarm that does not stand is the cause of another
// one that does: nobody is woken twice for it.
func (e *Engine) said(a *alarm) bool {
	if a.rule.Cause == "" || !a.on || a.state != Normal && a.state != Returned && a.state != Suppressed {
		return false
	}
	for i := range e.alarms {
		b := &e.alarms[i]
		if b != a && b.rule.Cause == a.rule.Cause && b.on && (b.state == Unacked || b.state == Acked || b.state == Shelved) {
			return true
		}
	}
	return false
}

// whenOff is where an active alarm goes when its condition is gone.
func (a *alarm) whenOff() State {
	switch {
	case a.state == Unacked && a.rule.Latch:
		return LatchedUnacked
	case a.state == Unacked:
		return Returned
	case a.rule.Latch:
		return LatchedAcked
	}
	return Normal
}

// back is where an alarm goes that is shelved, suppressed or out of service no longer.
func (a *alarm) back() State {
	switch {
	case a.on:
		return Unacked
	case a.owed:
		return LatchedUnacked
	}
	return Normal
}

// move changes the state and records it. It is the only place where a state changes.
func (e *Engine) move(a *alarm, to State, st sensors.Stamp, why, actor string, moves []Transition) []Transition {
	from := a.state
	a.state, e.stale = to, true
	if from != to {
		a.sinceUp, a.sinceWall = st.Up, st.Wall
	}
	if actor == "" { // what a person did is in the transition; the numbers behind the alarm stay
		a.why, a.whyUp = why, st.Up
	}
	switch to {
	case Normal:
		a.advice = "" // it was about what is over
	case Unacked:
		a.urgent, a.grew = false, false // told with this, whatever brought it here
		a.soundUp = st.Up
		a.soundN++
		if from != Acked && from != Unacked {
			a.raisedN++
		}
	case Acked:
		a.soundUp = st.Up
	}
	return append(moves, Transition{Kind: "alarm", ID: a.rule.ID, From: from.String(), To: to.String(),
		Priority: a.priority.String(), Why: why, Actor: actor})
}

// sound decides whether the alarm wants sound now. Critical and high break quiet hours, and
// so do the rules that say so.
func (e *Engine) sound(a *alarm) {
	now := a.state == Unacked && !a.rule.Silent &&
		(!e.quiet || a.priority >= High || a.rule.BreaksQuiet)
	if now != a.sounding {
		a.sounding, e.stale = now, true
	}
}

// Status is every alarm as it stands, in catalogue order. The slice is never changed: the
// same one comes back until something changes, and then another.
func (e *Engine) Status() []Status {
	if !e.stale {
		return e.status
	}
	e.status = make([]Status, len(e.alarms))
	out := e.sendsOut()
	for i := range e.alarms {
		a := &e.alarms[i]
		r := a.rule
		action := cmp.Or(a.advice, r.Action)
		if out && !r.SendsOut {
			action = underGas + action
		}
		e.status[i] = Status{ID: r.ID, Title: r.Title, Meaning: r.Meaning, Action: action, Runbook: r.Runbook,
			State: a.state, Priority: a.priority, Quality: a.quality, Why: a.says(),
			SinceUp: a.sinceUp, SinceWall: a.sinceWall, Sounding: a.sounding, SuppressedBy: a.by,
			Latches: r.Latch, CanShelve: r.CanShelve, Silent: r.Silent, RaisedN: a.raisedN,
			Class: r.Class, CanLeave: r.CanLeaveService, ReAlarm: r.ReAlarm, SoundN: a.soundN,
			BreaksQuiet: r.BreaksQuiet, SendsOut: r.SendsOut}
		if a.state == Shelved {
			e.status[i].ShelvedUntilUp = a.untilUp
		}
	}
	e.stale = false
	return e.status
}

// underGas stands before every other action while people should be outside: none of them is
// worth a switch or a step back in.
const underGas = "A gas or CO alarm stands: do only what that says. Afterwards: "

// sendsOut reports whether an alarm stands that sends people out.
func (e *Engine) sendsOut() bool {
	return slices.ContainsFunc(e.alarms, func(a alarm) bool { return a.rule.SendsOut && a.state.Standing() && a.on })
}

// says is what is behind the state, as of the last move, and what is in doubt or otherwise
// now. Of gas and carbon monoxide it does not say that the condition is gone before that has
// held: who reads it may turn back.
func (a *alarm) says() string {
	active := a.state == Unacked || a.state == Acked
	switch {
	case a.fault == "" && active && a.clearing && a.rule.OffDelay > whyAge && a.rule.Class != ClassGas && a.rule.Class != ClassCO:
		return a.why + "; now " + cmp.Or(a.rule.Fell, conditionGone) + ", and over when that has held for " + show.Duration(a.rule.OffDelay)
	case a.fault == "":
		return a.why
	case a.state == Normal || a.why == "":
		return a.fault
	}
	return a.why + "; now unknown: " + a.fault
}

// priority is the highest of the day's, the night's and what the facts ask for.
func (r *Rule) priority(f *Facts) Priority {
	p := r.Priority
	if f.AtNight {
		p = max(p, r.NightPriority)
	}
	if r.Escalate != nil {
		p = max(p, r.Escalate(f))
	}
	return p
}

// quality is that of what the answer rests on: an unknown answer rests on nothing good.
func (r *Rule) quality(f *Facts, answer Truth) sensors.Quality {
	switch {
	case r.Rests == nil && answer == Unknown:
		return sensors.Missing
	case r.Rests == nil:
		return sensors.Good
	case answer == Unknown:
		return min(r.Rests(f), sensors.Bad)
	}
	return r.Rests(f)
}

func (r *Rule) why(f *Facts) string {
	if r.Why == nil {
		return ""
	}
	return r.Why(f)
}

// because puts the rule's numbers behind a cause.
func (r *Rule) because(cause string, f *Facts) string {
	why := r.why(f)
	switch {
	case cause == "" && why == "":
		return "condition holds"
	case cause == "":
		return why
	case why == "":
		return cause
	}
	return cause + ": " + why
}

// fell words the end of the condition.
func (r *Rule) fell(f *Facts) string {
	return r.because(cmp.Or(r.Fell, conditionGone), f)
}

const conditionGone = "condition gone"
