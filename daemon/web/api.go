package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// snapshotJSON is everything that is true after a tick. The stream sends it whole first and
// then only the members that changed; of Numbers and Text only the entries that changed.
type snapshotJSON struct {
	Stamp     *stampJSON            `json:"stamp,omitempty"`
	Notice    string                `json:"notice,omitempty"`
	Numbers   map[string]numberJSON `json:"numbers,omitempty"` // encoding/json writes keys in order
	Gas       *gasJSON              `json:"gas,omitempty"`
	Van       *vanJSON              `json:"van,omitempty"`
	Regulator *regulatorJSON        `json:"regulator,omitempty"`
	TooMuch   *[]string             `json:"appliances_over_capacity,omitempty"`
	Outlooks  *[]outlookJSON        `json:"outlooks,omitempty"`
	Alarms    *[]alarmJSON          `json:"alarms,omitempty"`
	Tonight   *tonightJSON          `json:"tonight,omitempty"`
	Night     *nightJSON            `json:"night,omitempty"`
	Joints    *[]core.JointAnswer   `json:"joints,omitempty"`
	Cards     *[]cardJSON           `json:"cards,omitempty"`
	Totals    *core.Totals          `json:"totals,omitempty"`
	Channels  *[]channelJSON        `json:"channels,omitempty"`
	Text      map[string]string     `json:"text,omitempty"` // for the page's script, stream only
}

type stampJSON struct {
	UpS          float64       `json:"up_s"`
	Wall         string        `json:"wall"`
	ClockTrusted bool          `json:"clock_trusted"`
	ClockSet     *clockSetJSON `json:"clock_set,omitempty"` // from a phone
	Boot         string        `json:"boot"`
	Tick         uint64        `json:"tick"`
	AgeS         float64       `json:"age_s"` // since it was delivered, by real time
	Stale        bool          `json:"stale"`
}

type gasJSON struct {
	Band      estimate.GasBand `json:"band"`
	Why       string           `json:"why"`
	Fault     string           `json:"fault"`
	WarmingUp bool             `json:"warming_up"`
	WarmLeftS float64          `json:"warm_left_s"`
	Certified string           `json:"certified_alarm_sounding"`
	CO        string           `json:"co_alarm_sounding"`
}

type vanJSON struct {
	Cylinder    estimate.Presence `json:"cylinder"`
	TareEntered bool              `json:"tare_entered"`
	TareLearned bool              `json:"tare_learned"`
	Name        string            `json:"cylinder_name"`
	Known       []estimate.Known  `json:"known_cylinders"`
	Blend       estimate.Blend    `json:"blend_said"`           // "" is as configured
	CanUndo     bool              `json:"change_can_be_undone"` // the last word about a change of cylinder
	Overfilled  bool              `json:"overfilled"`
	Moving      bool              `json:"moving"`
	HeatCalled  string            `json:"heat_called"`
	Starved     string            `json:"starved"`
	StarvedWhy  string            `json:"starved_why"`
	Causes      []causeJSON       `json:"starved_causes"`
	Appliances  []shareJSON       `json:"appliances"`
	WatchAsked  bool              `json:"weight_watch_asked"`
	WatchQuiet  bool              `json:"weight_watch_quiet"`
	WatchLoss   bool              `json:"weight_watch_loss_suspected"`
	WatchWhy    string            `json:"weight_watch_why"`
}

// regulatorJSON is the freeze-up risk; the numbers are absent when it is not assessed.
type regulatorJSON struct {
	Risk         string   `json:"freeze_risk"`
	Why          string   `json:"why"`
	ThrottledC   *float64 `json:"coldest_gas_c"`
	BodyC        *float64 `json:"seat_c"`
	SolidC       *float64 `json:"solid_below_c"`
	DepositGPerH *float64 `json:"most_deposit_g_h"`
	FlowKgPerH   *float64 `json:"at_flow_kg_h"`
	Measured     bool     `json:"seat_measured"`
	Outside      string   `json:"outside"`
	MayCondense  bool     `json:"may_condense"`
	FreshFill    bool     `json:"fresh_fill"`
}

// outlookJSON is how long a burn can go on; its hours are null when unknown.
type outlookJSON struct {
	Name    string   `json:"name"` // "" is the burn of the last hour, "all" every appliance at full input
	KgPerH  float64  `json:"kg_h"`
	Hours   *float64 `json:"hours"`
	LowH    *float64 `json:"hours_low"`
	HighH   *float64 `json:"hours_high"`
	Ends    string   `json:"ends"`
	EndsLow string   `json:"ends_low"`
	Why     string   `json:"why"`
}

type causeJSON struct {
	ID       string  `json:"id"`
	PartFrac float64 `json:"part"`
	Says     string  `json:"says"`
	Evidence string  `json:"evidence"`
}

type shareJSON struct {
	Name   string  `json:"name"`
	KgPerH float64 `json:"kg_h"`
	Sure   bool    `json:"sure"`
}

type alarmJSON struct {
	ID           string          `json:"id"`
	State        string          `json:"state"`
	Priority     string          `json:"priority"`
	Quality      sensors.Quality `json:"quality"`
	Title        string          `json:"title"`
	Meaning      string          `json:"meaning"`
	Action       string          `json:"action"`
	Why          string          `json:"why"`
	SinceUpS     float64         `json:"since_up_s"`
	SinceWall    string          `json:"since_wall"`
	Sounding     bool            `json:"sounding"`
	Silent       bool            `json:"silent"`
	Latches      bool            `json:"latches"`
	CanShelve    bool            `json:"can_shelve"`
	ShelvedUntil *float64        `json:"shelved_until_up_s,omitempty"`
	SuppressedBy string          `json:"suppressed_by,omitempty"`
	Raised       uint64          `json:"raised"`
	Runbook      string          `json:"runbook"`
}

type tonightJSON struct {
	Verdict    string   `json:"verdict"`
	Odds       string   `json:"odds"`
	Facts      []string `json:"facts"`
	Enough     string   `json:"enough"`
	EndsWall   string   `json:"ends"`
	NightsSeen int      `json:"nights_seen"`
}

// nightJSON is the hours of a night by the van's own clock.
type nightJSON struct {
	From string `json:"from"`
	To   string `json:"to"`
	Next string `json:"from_the_next_on"` // "" if no other hours wait
}

// cardJSON asks what an alarm was.
type cardJSON struct {
	core.Card
	Choices []string `json:"choices"`
}

func cardsOf(cards []core.Card) []cardJSON {
	out := make([]cardJSON, 0, len(cards))
	for _, c := range cards {
		out = append(out, cardJSON{c, core.Choices(c.Alarm)})
	}
	return out
}

type channelJSON struct {
	Channel sensors.Channel `json:"channel"`
	Quality sensors.Quality `json:"quality"`
	Why     string          `json:"why"`
	Value   *float64        `json:"value"` // raw, in the unit the name ends in
	LastUpS *float64        `json:"last_up_s"`
}

// snapshot says a frame in JSON. Before the first snapshot only the notice and the stamp
// are there.
func (f *frame) snapshot() snapshotJSON {
	out := snapshotJSON{Notice: certified, Stamp: &stampJSON{AgeS: f.ageS(), Stale: f.stale()}}
	if !f.whole() {
		return out
	}
	s, e := f.snap, f.snap.Est
	out.Stamp.UpS, out.Stamp.Wall = s.Stamp.UpS(), core.FormatWall(s.Stamp.Wall)
	out.Stamp.ClockSet = clockSetOf(e.ClockSet)
	out.Stamp.ClockTrusted, out.Stamp.Boot, out.Stamp.Tick = e.ClockTrusted, s.Boot, s.Tick
	out.Numbers = make(map[string]numberJSON)
	for _, n := range numbers() {
		out.Numbers[n.name] = n.json(f)
	}
	out.Gas = &gasJSON{e.Band, e.BandWhy, e.GasFault, e.WarmingUp, e.WarmLeft.Seconds(),
		tristate(e.Certified), tristate(e.CO)}
	out.Van = vanOf(e)
	out.Regulator = regulatorOf(e.Freeze)
	outlooks := outlooksOf(e)
	out.Outlooks = &outlooks
	over := append([]string{}, e.TooMuch...)
	out.TooMuch = &over
	alarms := alarmsOf(s.Alarms)
	out.Alarms = &alarms
	t := s.Tonight
	out.Tonight = &tonightJSON{t.Verdict, t.Odds, append([]string{}, t.Facts...), tristate(t.Enough),
		core.FormatWall(t.EndsWall), t.NightsSeen}
	night := nightOf(s)
	out.Night = &nightJSON{night.From, night.To, night.Next}
	joints := append([]core.JointAnswer{}, s.Joints...)
	out.Joints = &joints
	cards := cardsOf(s.Cards)
	out.Cards = &cards
	totals := s.Totals
	out.Totals = &totals
	channels := channelsOf(e.Channels)
	out.Channels = &channels
	return out
}

func vanOf(e *estimate.Estimates) *vanJSON {
	v := &vanJSON{Cylinder: e.Cylinder, TareEntered: e.TareEntered, TareLearned: e.TareLearned, Name: e.CylinderName,
		Known: append([]estimate.Known{}, e.Known...), Blend: e.Blend, CanUndo: e.LastWord != nil, Overfilled: e.Overfilled, Moving: e.Moving,
		HeatCalled: tristate(e.Heat), Starved: tristate(e.Starved), StarvedWhy: e.StarvedWhy,
		Causes: []causeJSON{}, Appliances: []shareJSON{}, WatchAsked: e.Watch.Asked, WatchQuiet: e.Watch.Quiet,
		WatchLoss: e.Watch.Suspected, WatchWhy: e.Watch.Why}
	for _, c := range e.Causes {
		v.Causes = append(v.Causes, causeJSON(c))
	}
	for _, sh := range e.Shares {
		v.Appliances = append(v.Appliances, shareJSON(sh))
	}
	return v
}

func regulatorOf(f estimate.Freeze) *regulatorJSON {
	r := &regulatorJSON{Risk: string(f.Risk), Why: f.Why, Measured: f.BodyMeasured, Outside: string(f.Outside),
		MayCondense: f.MayCondense, FreshFill: f.FreshFill}
	if f.Assessed() {
		r.ThrottledC, r.BodyC, r.SolidC = &f.ThrottledC, &f.BodyC, &f.SolidC
		r.DepositGPerH, r.FlowKgPerH = &f.DepositGPerH, &f.FlowKgPerH
	}
	return r
}

func outlooksOf(e *estimate.Estimates) []outlookJSON {
	out := make([]outlookJSON, 0, len(e.ApplianceOutlooks)+1)
	for _, o := range append([]estimate.Outlook{e.Outlook}, e.ApplianceOutlooks...) {
		j := outlookJSON{Name: o.Name, KgPerH: o.KgPerH, Ends: string(o.Ends), EndsLow: string(o.EndsLow), Why: o.HoursH.Why}
		if q := o.HoursH; q.Known() {
			j.Hours, j.LowH = &q.Value, &q.Low
			if o.Name == "" { // of an appliance only the poor end is worked out
				j.HighH = &q.High
			}
		}
		out = append(out, j)
	}
	return out
}

func alarmsOf(all []alerts.Status) []alarmJSON {
	out := make([]alarmJSON, 0, len(all))
	for _, a := range all {
		j := alarmJSON{ID: a.ID, State: a.State.String(), Priority: a.Priority.String(), Quality: a.Quality,
			Title: a.Title, Meaning: a.Meaning, Action: a.Action, Why: a.Why,
			SinceUpS: a.SinceUp.Seconds(), SinceWall: core.FormatWall(a.SinceWall),
			Sounding: a.Sounding, Silent: a.Silent, Latches: a.Latches, CanShelve: a.CanShelve,
			SuppressedBy: a.SuppressedBy, Raised: a.RaisedN, Runbook: a.Runbook}
		if a.State == alerts.Shelved {
			until := a.ShelvedUntilUp.Seconds()
			j.ShelvedUntil = &until
		}
		out = append(out, j)
	}
	return out
}

func channelsOf(all []estimate.ChannelState) []channelJSON {
	out := make([]channelJSON, 0, len(all))
	for _, c := range all {
		j := channelJSON{Channel: c.Channel, Quality: c.Quality, Why: c.Why}
		if c.Seen {
			last := c.LastUp.Seconds()
			j.LastUpS = &last
			if c.Quality >= sensors.Suspect {
				j.Value = &c.Value
			}
		}
		out = append(out, j)
	}
	return out
}

func tristate(t estimate.Tristate) string {
	switch t {
	case estimate.Yes:
		return "yes"
	case estimate.No:
		return "no"
	}
	return "unknown"
}

func (s *Server) getSnapshot(w http.ResponseWriter, r *http.Request) {
	s.sendJSON(w, http.StatusOK, s.latest.Load().snapshot())
}

func (s *Server) getAlarms(w http.ResponseWriter, r *http.Request) {
	whole := s.latest.Load().snapshot()
	if whole.Alarms == nil {
		whole.Alarms = &[]alarmJSON{}
	}
	s.sendJSON(w, http.StatusOK, struct {
		Notice string       `json:"notice"`
		Stamp  *stampJSON   `json:"stamp"`
		Alarms *[]alarmJSON `json:"alarms"`
	}{certified, whole.Stamp, whole.Alarms})
}

func (s *Server) getEvents(w http.ResponseWriter, r *http.Request) {
	before, err := whole(r, "before", 0, 0, 1<<53)
	if err != nil {
		s.sendError(w, http.StatusBadRequest, err)
		return
	}
	limit, err := whole(r, "limit", 100, 1, 1000)
	if err != nil {
		s.sendError(w, http.StatusBadRequest, err)
		return
	}
	s.ask(w, r, func(ctx context.Context) (any, error) {
		events, err := s.opt.Past.Events(ctx, uint64(before), int(limit))
		return struct {
			Events []core.Event `json:"events"`
		}{append([]core.Event{}, events...)}, err
	})
}

func (s *Server) getNights(w http.ResponseWriter, r *http.Request) {
	limit, err := whole(r, "limit", 30, 1, 1000)
	if err != nil {
		s.sendError(w, http.StatusBadRequest, err)
		return
	}
	s.ask(w, r, func(ctx context.Context) (any, error) {
		rows, err := s.opt.Past.Nights(ctx, int(limit))
		return struct {
			Nights []nights.Night `json:"nights"`
		}{append([]nights.Night{}, rows...)}, err
	})
}

// bucketJSON is one stretch of a series; times without data are left out.
type bucketJSON struct {
	From    string  `json:"from"`
	LengthS float64 `json:"length_s"`
	Min     float64 `json:"min"`
	Mean    float64 `json:"mean"`
	Max     float64 `json:"max"`
	N       int     `json:"n"`
}

func (s *Server) getSeries(w http.ResponseWriter, r *http.Request) {
	if s.opt.Past == nil {
		s.sendError(w, http.StatusNotFound, errNoHistory)
		return
	}
	names, from, to, err := s.asked(r)
	if err == nil && len(names) > 1 {
		err = errors.New("name one series")
	}
	if err != nil {
		status := http.StatusBadRequest
		if unknown := noSeries(""); errors.As(err, &unknown) {
			status = http.StatusNotFound
		}
		s.sendError(w, status, fmt.Errorf("series: %w", err))
		return
	}
	points, err := whole(r, "points", 360, 2, 2000)
	if err != nil {
		s.sendError(w, http.StatusBadRequest, err)
		return
	}
	s.ask(w, r, func(ctx context.Context) (any, error) {
		buckets, err := s.opt.Past.Series(ctx, names[0], from, to, int(points))
		out := make([]bucketJSON, 0, len(buckets))
		for _, b := range buckets {
			out = append(out, bucketJSON{core.FormatWall(b.FromWall), b.Length.Seconds(), b.Min, b.Mean, b.Max, b.N})
		}
		return struct {
			Name    string       `json:"name"`
			Buckets []bucketJSON `json:"buckets"`
		}{names[0], out}, err
	})
}

// storeWait bounds what a page or an API answer waits for the store: a store that hangs
// must not take the page with it.
const storeWait = 3 * time.Second

// ask answers with what the store says.
func (s *Server) ask(w http.ResponseWriter, r *http.Request, question func(context.Context) (any, error)) {
	if s.opt.Past == nil {
		s.sendError(w, http.StatusNotFound, errNoHistory)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), storeWait)
	defer cancel()
	answer, err := question(ctx)
	if err != nil {
		s.sendError(w, http.StatusServiceUnavailable, s.storeSilent(r, err))
		return
	}
	s.sendJSON(w, http.StatusOK, answer)
}

// whole is an optional whole number of the query.
func whole(r *http.Request, key string, unset, low, high int64) (int64, error) {
	text := r.FormValue(key)
	if text == "" {
		return unset, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < low || n > high {
		return 0, fmt.Errorf("%s: %q is not a whole number between %d and %d", key, text, low, high)
	}
	return n, nil
}

func (s *Server) sendJSON(w http.ResponseWriter, status int, v any) {
	body, err := json.Marshal(v)
	if err != nil { // a number JSON cannot say: the estimators promise there is none
		s.opt.Log.Error("answer not written as JSON", "err", err)
		http.Error(w, `{"error":"internal: the answer could not be written"}`, http.StatusInternalServerError)
		return
	}
	if w.Header().Get("Content-Type") == "" {
		w.Header().Set("Content-Type", "application/json; charset=utf-8")
	}
	w.WriteHeader(status)
	w.Write(append(body, '\n'))
}

func (s *Server) sendError(w http.ResponseWriter, status int, err error) {
	s.sendJSON(w, status, struct {
		Error string `json:"error"`
	}{err.Error()})
}
