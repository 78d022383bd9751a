package core

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

const (
	checkpointEvery   = 10 * time.Minute // bounds what a power cut can take from totals and beliefs
	lostShown         = time.Minute      // "monitoring lost" is a fact of the first minute of a boot
	checkpointVersion = 1
)

// Core is the whole program between its inputs and its outputs. It has one owner: the tick
// loop, a replay or a test.
type Core struct {
	p   Params
	est *estimate.Estimator
	eng *alerts.Engine
	led *nights.Ledger

	boot    string
	begun   bool
	tick    uint64
	seq     uint64
	totals  Totals
	heard   *Heard // never changed in place
	startUp time.Duration

	lost     bool // the run before this one did not end in order
	gap      time.Duration
	gapKnown bool

	saved   []byte // newest checkpoint: what the next boot continues from
	savedUp time.Duration
	last    *Snapshot

	said []daySaid // which daily word was said when

	facts alerts.Facts // of this tick; kept so that a tick does not allocate them

	doubt *doubtedWall // newest time of day that was not taken; never changed in place

	note   *Note         // of the command of this tick
	joints []JointAnswer // never changed in place
	cards  cards

	button  int  // index of the glove button's reading, or -1
	pressed bool // at a start it counts as pressed: only a press that was seen to begin acts
}

// checkpoint is the state of the core as JSON: what the store keeps and what a recording
// that does not begin at a cold start carries in its header.
type checkpoint struct {
	Version      int            `json:"version"`
	Boot         string         `json:"boot"`
	Tick         uint64         `json:"tick"`
	UpS          float64        `json:"up_s"`
	Wall         string         `json:"wall"`
	ClockTrusted bool           `json:"clock_trusted"`
	Clean        bool           `json:"clean"` // written by a stop in order
	Seq          uint64         `json:"seq"`
	Totals       Totals         `json:"totals"`
	Estimate     estimate.State `json:"estimate"`
	Alarms       alerts.Saved   `json:"alarms"`
	Nights       nights.Saved   `json:"nights"`
	Sounder      *Heard         `json:"sounder_heard,omitempty"`
	Joints       []JointAnswer  `json:"joints,omitempty"`
	Cards        []waiting      `json:"cards,omitempty"`
	Daily        []daySaid      `json:"daily,omitempty"`
	This         thisBoot       `json:"this_boot,omitzero"`
}

// thisBoot is what a reload goes on with and a restart finds out anew.
type thisBoot struct {
	StartUp time.Duration  `json:"start_up,omitzero"`
	Lost    bool           `json:"lost,omitempty"`
	Gap     *time.Duration `json:"gap,omitempty"` // before it; nil: none, or of unknown length
	Doubt   *doubtedWall   `json:"doubted_wall,omitempty"`
}

// New makes a core that knows nothing yet. The same parameters and the same inputs give the
// same snapshots.
func New(p Params) *Core {
	c := &Core{p: p, button: p.Wiring.Index(sensors.AckButton)}
	c.fresh()
	return c
}

func (c *Core) fresh() {
	c.est = estimate.New(c.p.Wiring, c.p.Estimate)
	c.eng = alerts.NewEngine(alerts.Catalogue(c.p.Setpoints), c.p.Setpoints)
	c.led = nights.NewLedger(c.p.Nights)
}

// Restore gives the core the checkpoint of an earlier run, to be continued at the first
// Step. A checkpoint of a newer program is refused: what it means cannot be guessed.
func (c *Core) Restore(b []byte) error {
	if _, err := parseCheckpoint(b); err != nil {
		return err
	}
	c.saved = b
	return nil
}

// RestoreCold is Restore without the estimators' beliefs, for a checkpoint that may be
// poisoned: alarms, acknowledgements, totals and ledger are kept, and of the beliefs only
// what a person entered.
func (c *Core) RestoreCold(b []byte) error {
	cp, err := parseCheckpoint(b)
	if err != nil {
		return err
	}
	cp.Estimate = cp.Estimate.Entered()
	c.saved, err = json.Marshal(cp)
	return err
}

func parseCheckpoint(b []byte) (*checkpoint, error) {
	var cp checkpoint
	if err := json.Unmarshal(b, &cp); err != nil {
		return nil, fmt.Errorf("checkpoint: %w", err)
	}
	if cp.Version != checkpointVersion {
		return nil, fmt.Errorf("checkpoint: version %d, this program reads version %d; run the program that wrote it, or start from an empty state directory",
			cp.Version, checkpointVersion)
	}
	return &cp, nil
}

// HeardIn is who heard the sounder, by a checkpoint; nil if nobody did or it cannot be read.
func HeardIn(checkpoint []byte) *Heard {
	cp, err := parseCheckpoint(checkpoint)
	if err != nil {
		return nil
	}
	return cp.Sounder
}

// Checkpoint is the state as of the last Step, to be continued by another core in the same
// run, as after a change of the configuration. It is nil before the first Step.
func (c *Core) Checkpoint() []byte {
	if c.last == nil {
		return nil
	}
	return c.checkpoint(c.last, true)
}

// begin starts a boot: the state of the one before is continued exactly as a restarted
// daemon would, from its newest checkpoint. A checkpoint of the boot that goes on is a
// change of the configuration, and neither a gap nor a boot.
func (c *Core) begin(in Input) {
	if c.begun {
		c.fresh()
	}
	c.last = nil // of another boot, which a restarted daemon does not know
	c.boot, c.begun, c.pressed, c.startUp = in.Boot, true, true, in.Stamp.Up
	c.lost, c.gap, c.gapKnown, c.doubt = false, 0, false, nil
	if c.saved == nil {
		c.totals.Boots++
		return
	}
	s, err := parseCheckpoint(c.saved)
	if err != nil {
		panic(fmt.Sprintf("core: a checkpoint of our own: %v", err)) // Restore has read it before
	}
	c.tick, c.seq, c.totals, c.heard, c.said, c.joints = s.Tick, s.Seq, s.Totals, s.Sounder, s.Daily, s.Joints
	var dark time.Duration // since the checkpoint; 0 where nobody knows
	if up := UpFromS(s.UpS); s.Boot == in.Boot && up <= in.Stamp.Up {
		dark = in.Stamp.Up - up
		c.startUp, c.lost, c.gapKnown, c.doubt = s.This.StartUp, s.This.Lost, s.This.Gap != nil, s.This.Doubt
		if c.gapKnown {
			c.gap = *s.This.Gap
		}
		c.est.Restore(s.Estimate, dark.Seconds(), in.Stamp.Up, false)
		c.eng.Continue(s.Alarms, up)
		c.led.Continue(s.Nights, up)
	} else {
		c.totals.Boots++
		c.lost = !s.Clean
		c.gap, c.gapKnown = c.gapSince(s, in)
		dark = c.gap
		darkS := -1.0
		if c.gapKnown {
			darkS = dark.Seconds()
		}
		c.est.Restore(s.Estimate, darkS, in.Stamp.Up, true)
		c.eng.Restore(s.Alarms)
		c.led.Restore(s.Nights)
	}
	if c.led.Chosen() { // before the first tick is judged: an alarm that is high by night is none the more urgent
		use, _ := c.led.Window()
		c.eng.SetNight(use.StartMin, use.EndMin)
	}
	c.cards.restore(s.Cards, in.Stamp, dark)
}

// gapSince is the time nobody watched, if both ends of it had a clock to trust.
func (c *Core) gapSince(s *checkpoint, in Input) (time.Duration, bool) {
	last, err := ParseWall(s.Wall)
	if err != nil || last.IsZero() || !s.ClockTrusted || !c.synced(in) {
		return 0, false
	}
	gap := in.Stamp.Wall.Sub(last)
	return max(gap, 0), gap >= 0
}

// synced reports whether the board says that its clock has the right time.
func (c *Core) synced(in Input) bool {
	i := c.p.Wiring.Index(sensors.ClockSynced)
	return i >= 0 && in.Readings[i].Quality == sensors.Good && in.Readings[i].Value == 1
}

// Step lives one tick: the command first, then what the readings mean, how the night goes,
// and whom to wake. The input must hold as many readings as the wiring has channels.
func (c *Core) Step(in Input) *Snapshot {
	first := !c.begun || in.Boot != c.boot
	if first {
		c.begin(in)
	}
	c.tick++
	board := in.Stamp // what is recorded; everything below goes by the label as it is known
	in.Stamp = c.est.Label(board, in.Readings)
	s := &Snapshot{Stamp: in.Stamp, Boot: in.Boot, Tick: c.tick}
	save := first
	if in.Command != nil {
		s.Command = in.Command
		moves, err := c.obey(in.Command, in)
		if err != nil {
			s.Refused = err.Error()
		}
		in.Stamp = c.est.Label(board, in.Readings) // the command may have set it
		s.Stamp = in.Stamp
		c.alarmEvents(s, moves)
		if c.note != nil {
			s.Events = append(s.Events, c.event(s.Stamp, Event{Note: c.note}))
			c.note = nil
		}
		save = true
	}
	c.glove(s, in)

	s.Est = c.est.Step(in.Stamp, in.Readings)
	save = c.happened(s) || save
	raised := 0
	s.Tonight = c.led.Tonight(in.Stamp, s.Est)
	c.facts = alerts.Facts{Stamp: in.Stamp, Est: s.Est, Tonight: &s.Tonight, LostGap: c.gap, GapKnown: c.gapKnown,
		Lost: c.lost && in.Stamp.Up-c.startUp < lostShown}
	moves := c.eng.Step(&c.facts)
	c.alarmEvents(s, moves)
	for _, e := range s.Events {
		if e.Alarm != nil {
			save = true
			if e.Alarm.Raised() {
				raised++
			}
		}
	}
	if night := c.led.Step(in.Stamp, s.Est, raised); night != nil {
		c.totals.Nights++
		s.Events = append(s.Events, c.event(in.Stamp, Event{Night: night}))
		save = true
	}
	s.Forecasts = c.led.Calibration()
	s.Alarms = c.eng.Status()
	s.Quiet = c.p.Setpoints.Quiet(in.Stamp.Wall, s.Est.ClockTrusted)
	c.opened(s.Est.Happened)
	s.Night, s.NextNight = c.led.Window()
	if c.led.Chosen() {
		c.eng.SetNight(s.Night.StartMin, s.Night.EndMin) // from the next tick on
	}
	s.Joints, s.Cards = c.joints, c.cards.step(s, c.p.Setpoints.Zone)
	save = c.daily(s) || save
	c.totals.BurnedKg = max(c.totals.BurnedKg, s.Est.BurnedKg)
	s.Totals, s.Heard = c.totals, c.heard
	if save || in.Stamp.Up-c.savedUp >= checkpointEvery || in.Stamp.Up < c.savedUp {
		s.Checkpoint = c.checkpoint(s, in.Command != nil && in.Command.Stop != "")
		c.saved, c.savedUp = s.Checkpoint, in.Stamp.Up
	}
	c.last = s
	return s
}

// happened turns the estimator's news into events; true if one of them must not be lost.
func (c *Core) happened(s *Snapshot) (save bool) {
	for i := range s.Est.Happened {
		h := &s.Est.Happened[i]
		switch h.Kind {
		case estimate.CylinderPlaced:
			c.totals.CylinderChanges++
			save = true
		case estimate.ClockStep:
			c.totals.ClockSteps++
			save = true
		case estimate.CylinderRemoved:
			save = true
		}
		s.Events = append(s.Events, c.event(s.Stamp, Event{Happening: h}))
	}
	return save
}

func (c *Core) alarmEvents(s *Snapshot, moves []alerts.Transition) {
	for i := range moves {
		s.Events = append(s.Events, c.event(s.Stamp, Event{Alarm: &moves[i]}))
	}
}

func (c *Core) event(st sensors.Stamp, e Event) Event {
	c.seq++
	e.Stamp, e.Seq = st, c.seq
	return e
}

// glove is the wired button: a press acknowledges what sounds and may be silenced.
func (c *Core) glove(s *Snapshot, in Input) {
	if c.button < 0 {
		return
	}
	r := in.Readings[c.button]
	if r.Quality != sensors.Good { // a broken wire is no press
		return
	}
	down := r.Value == 1
	if down && !c.pressed {
		c.alarmEvents(s, c.eng.AckAudible("button", in.Stamp))
	}
	c.pressed = down
}

// obey does what a command asks, or says why not.
func (c *Core) obey(cmd *Command, in Input) ([]alerts.Transition, error) {
	st := in.Stamp
	if err := cmd.Check(); err != nil {
		return nil, err
	}
	actor := cmd.Actor
	if actor == "" {
		actor = "operator"
	}
	switch {
	case cmd.Ack != "":
		return c.eng.Ack(cmd.Ack, actor, st)
	case cmd.AckAudible:
		return c.eng.AckAudible(actor, st), nil
	case cmd.Reset != "":
		return c.eng.Reset(cmd.Reset, actor, st)
	case cmd.Shelve != nil:
		return c.eng.Shelve(cmd.Shelve.Alarm, actor, time.Duration(cmd.Shelve.ForS*float64(time.Second)), st)
	case cmd.Unshelve != "":
		return c.eng.Unshelve(cmd.Unshelve, actor, st)
	case cmd.OutOfService != "":
		return c.eng.OutOfService(cmd.OutOfService, actor, st)
	case cmd.InService != "":
		return c.eng.InService(cmd.InService, actor, st)
	case cmd.Changed != nil:
		if err := c.est.Change(*cmd.Changed); err != nil {
			return nil, err
		}
		c.joints = nil // whichever stands there now, a joint was opened
	case cmd.Undone:
		if err := c.est.UndoChange(); err != nil {
			return nil, err
		}
		c.note = &Note{Kind: ChangeUndone, Actor: actor}
	case cmd.Night != nil:
		w, err := cmd.Night.window()
		if err != nil {
			return nil, err
		}
		c.led.Choose(w, st.Wall)
		c.note = &Note{Kind: NightChosen, Actor: actor, Text: cmd.Night.From + "-" + cmd.Night.To}
	case cmd.Joint != nil:
		c.joint(*cmd.Joint, in, actor)
	case cmd.Answered != nil:
		note, err := c.cards.answer(*cmd.Answered, actor)
		c.note = note
		return nil, err
	case cmd.Collar != nil:
		return nil, c.est.ReadCollar(*cmd.Collar)
	case cmd.ExpectedLow != nil:
		if st.Wall.IsZero() {
			return nil, fmt.Errorf("expected low: the clock is not set, so tonight has no date; set the clock first")
		}
		c.led.Expect(cmd.ExpectedLow.C, st)
	case cmd.Calibrated != nil:
		return nil, c.est.Calibrate(*cmd.Calibrated, actor)
	case cmd.CalibrationUndone != "":
		return nil, c.est.Undo(cmd.CalibrationUndone)
	case cmd.SounderHeard != nil:
		if *cmd.SounderHeard && !c.p.Setpoints.Sounder {
			return nil, errors.New("sounder heard: no sounder is configured, so nothing here can wake you")
		}
		c.heard = nil
		if *cmd.SounderHeard {
			c.heard = &Heard{Wall: st.Wall, ClockTrusted: c.last != nil && c.last.Est.ClockTrusted, Actor: actor}
		}
	case cmd.WeightWatch != nil:
		c.est.Watch(*cmd.WeightWatch)
	case cmd.WallSet != nil:
		return nil, c.setWall(cmd.WallSet.Wall, in)
	}
	return nil, nil // a stop only asks for the checkpoint that every command gets
}

func (c *Core) checkpoint(s *Snapshot, clean bool) []byte {
	b, err := json.Marshal(&checkpoint{Version: checkpointVersion, Boot: s.Boot, Tick: s.Tick, UpS: s.Stamp.UpS(),
		Wall: FormatWall(s.Stamp.Wall), ClockTrusted: s.Est.ClockTrusted, Clean: clean, Seq: c.seq,
		Totals: c.totals, Estimate: c.est.Save(), Alarms: c.eng.Save(), Nights: c.led.Save(),
		Sounder: c.heard, Joints: c.joints, Cards: c.cards.save(s.Stamp.Up), Daily: c.said, This: c.thisBoot()})
	if err != nil {
		// Only a NaN can do this, and none leaves the estimators: an impossible state.
		panic(fmt.Sprintf("core: checkpoint: %v", err))
	}
	return b
}

func (c *Core) thisBoot() thisBoot {
	b := thisBoot{StartUp: c.startUp, Lost: c.lost, Doubt: c.doubt}
	if c.gapKnown {
		b.Gap = &c.gap
	}
	return b
}
