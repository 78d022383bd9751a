package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/show"
	"frostline/sensors"
)

// calibrationJSON is what a person who calibrates must see, of the newest tick.
type calibrationJSON struct {
	Notice string     `json:"notice"`
	Stamp  *stampJSON `json:"stamp"`
	Begun  string     `json:"begun"` // scale or gas while somebody calibrates
	Cut    string     `json:"cut"`   // scale or gas if a restart has ended a calibration of it, until one begins

	Load    *settledJSON             `json:"load"`   // null: no load cell is wired
	CellC   *float64                 `json:"cell_c"` // of the load cell, by the air beside it; null: unknown
	Scale   *estimate.ScaleConstants `json:"scale"`  // that hold; null: not calibrated
	Zero    *estimate.ScalePoint     `json:"zero"`   // of the calibration that has begun
	Loads   []estimate.ScalePoint    `json:"loads"`
	Records []estimate.ScaleRecord   `json:"scale_records"` // oldest first

	GasV       *float64             `json:"gas_v"` // null: unknown
	Gas        *gasJSON             `json:"gas"`
	GasRecords []estimate.GasRecord `json:"gas_records"`

	Fitted bool        `json:"sounder_fitted"`
	Heard  *core.Heard `json:"sounder_heard"`
}

// calibrationOf is the calibration of estimates, also of those that no estimator has made.
func calibrationOf(e *estimate.Estimates) *estimate.Calibration {
	if e.Calibration == nil {
		return new(estimate.Calibration)
	}
	return e.Calibration
}

// settledJSON is a raw signal at rest or not.
type settledJSON struct {
	Mean   float64 `json:"mean"` // of the newest ten readings, in the unit that ends the channel's name
	SD     float64 `json:"sd"`
	Spread float64 `json:"spread"`
	N      int     `json:"n"`
	AgeS   float64 `json:"age_s"`
	Steady bool    `json:"steady"`
}

func (s *Server) getCalibration(w http.ResponseWriter, r *http.Request) {
	s.sendJSON(w, http.StatusOK, s.calibration(s.latest.Load()))
}

func (s *Server) calibration(f *frame) calibrationJSON {
	whole := f.snapshot()
	out := calibrationJSON{Notice: certified, Stamp: whole.Stamp, Gas: whole.Gas, Loads: []estimate.ScalePoint{},
		Records: []estimate.ScaleRecord{}, GasRecords: []estimate.GasRecord{}, Fitted: s.opt.Drill != nil}
	if !f.whole() {
		return out
	}
	e := f.snap.Est
	c := calibrationOf(e)
	out.Begun, out.Cut, out.Zero, out.Heard = c.Begun, c.Cut, c.Zero, f.snap.Heard
	out.Loads = append(out.Loads, c.Loads...)
	out.Records = append(out.Records, c.Scale...)
	out.GasRecords = append(out.GasRecords, c.Gas...)
	if now := c.ScaleNow; now.CountsPerKg != 0 {
		out.Scale = &now
	}
	if q := e.CellC; q.Known() {
		out.CellC = &q.Value
	}
	for _, ch := range e.Channels {
		switch {
		case ch.Channel == sensors.LoadCounts:
			n := settledJSON(e.LoadNow)
			out.Load = &n
		case ch.Channel == sensors.GasV && ch.Quality >= sensors.Suspect:
			out.GasV = &ch.Value
		}
	}
	return out
}

// postDrill plays a sound of an alarm, for people to hear and know. Whether they heard it is
// a command of its own.
func (s *Server) postDrill(w http.ResponseWriter, r *http.Request) {
	var order struct {
		Sound string `json:"sound"`
	}
	if !s.readJSON(w, r, &order) {
		return
	}
	if s.opt.Drill == nil {
		s.sendError(w, http.StatusConflict, errors.New("drill: no sounder is fitted, so nothing here can wake you"))
		return
	}
	lasts, err := s.opt.Drill(order.Sound)
	if err != nil {
		s.sendError(w, http.StatusConflict, err)
		return
	}
	s.sendJSON(w, http.StatusOK, struct {
		LastsS float64 `json:"lasts_s"`
	}{lasts.Seconds()})
}

// calibratePage is what its template prints.
type calibratePage struct {
	pageData
	ScaleWired, GasWired bool
	LoadLine, GasLine    string
	ScaleBegun, GasBegun bool
	ScaleCut, GasCut     bool // a restart has ended it
	ScaleNow, GasNow     string
	Points, Records      []string
	GasRecords           []string
	Sounder              string
}

func (s *Server) getCalibrate(w http.ResponseWriter, r *http.Request) {
	s.sendCalibrate(w, r, http.StatusOK, notice{Text: saidOf(r.URL.Query().Get("done"))})
}

func (s *Server) sendCalibrate(w http.ResponseWriter, r *http.Request, status int, said notice) {
	l, f := lookOf(r), s.latest.Load()
	c := s.calibration(f)
	d := calibratePage{pageData: s.pageData(r, f, l),
		ScaleWired: c.Load != nil, ScaleBegun: c.Begun == estimate.TheScale, GasBegun: c.Begun == estimate.TheGas,
		ScaleCut: c.Cut == estimate.TheScale, GasCut: c.Cut == estimate.TheGas,
		ScaleNow: "Not calibrated: the fuel is unknown until it is.", Sounder: s.sounderSays(f.snap)}
	d.Said = said
	if f.whole() {
		d.GasWired = slices.ContainsFunc(f.snap.Est.Channels, func(ch estimate.ChannelState) bool { return ch.Channel == sensors.GasV })
		d.LoadLine, d.GasLine = loadLine(f), gasLine(f)
		d.GasNow = estimate.GasRecord{}.Says()
	}
	if c.Scale != nil {
		d.ScaleNow = "By the configuration: " + estimate.ScaleRecord{ScaleConstants: *c.Scale}.Says() + "."
		if len(c.Records) > 0 {
			d.ScaleNow = c.Records[len(c.Records)-1].Says() + "."
		}
	}
	if n := len(c.GasRecords); n > 0 {
		d.GasNow = c.GasRecords[n-1].Says()
	}
	d.GasNow = sentenceCase(d.GasNow)
	if c.Zero != nil {
		d.Points = append(d.Points, fmt.Sprintf("empty cradle: %.0f counts", c.Zero.Counts))
	}
	for _, p := range c.Loads {
		d.Points = append(d.Points, fmt.Sprintf("%s (%s): %.0f counts", l.choice().Number(p.Kg, show.Kg), p.Kind, p.Counts))
	}
	for _, rec := range slices.Backward(c.Records) {
		d.Records = append(d.Records, s.madeOn(rec.Made)+rec.Says())
	}
	for _, rec := range slices.Backward(c.GasRecords) {
		d.GasRecords = append(d.GasRecords, s.madeOn(rec.Made)+rec.Says())
	}
	s.send(w, r, status, "calibrate", d)
}

func sentenceCase(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// madeOn is the date of a record, as far as it is known.
func (s *Server) madeOn(m estimate.Made) string {
	day := "Date unknown"
	if !m.Wall.IsZero() && m.ClockTrusted {
		day = m.Wall.In(s.opt.Zone).Format("2 Jan 2006 15:04")
	}
	return day + ", by the " + m.Actor + ": "
}

func (s *Server) sounderSays(snap *core.Snapshot) string {
	if words := s.wake(snap); words != "" {
		return words
	}
	if snap != nil && snap.Heard != nil && snap.Heard.ClockTrusted {
		return "Heard on " + snap.Heard.Wall.In(s.opt.Zone).Format("2 Jan 2006") + ". Do the drill again each season: frostline drill."
	}
	return "Heard once. Do the drill again each season: frostline drill."
}

// calibrateTexts are the raw signals, for a page on which somebody calibrates; at other
// times no phone is told of them.
func calibrateTexts(f *frame, out map[string]string) {
	if !f.whole() {
		return
	}
	switch calibrationOf(f.snap.Est).Begun {
	case estimate.TheScale:
		out["calibrate.load"] = loadLine(f)
	case estimate.TheGas:
		out["calibrate.gas"] = gasLine(f)
	}
}

// loadLine is the load signal in words.
func loadLine(f *frame) string {
	n, c := f.snap.Est.LoadNow, calibrationOf(f.snap.Est).ScaleNow
	if n.N == 0 {
		return "no reading"
	}
	text := fmt.Sprintf("%.0f counts, ", n.Mean)
	switch {
	case n.Steady:
		text += "steady"
	case n.Spread > 0 && n.N >= 10:
		text += fmt.Sprintf("moving: %.0f counts", n.Spread)
	default:
		text += fmt.Sprintf("%d readings of 10", n.N)
	}
	if k := c.CountsPerKg; k != 0 {
		text += fmt.Sprintf(", noise %.1f g", 1000*max(n.SD/k, -n.SD/k))
	}
	return text
}

// gasLine is the gas signal in words.
func gasLine(f *frame) string {
	e := f.snap.Est
	volts := "no reading"
	for _, ch := range e.Channels {
		if ch.Channel == sensors.GasV && ch.Quality >= sensors.Suspect {
			volts = strconv.FormatFloat(ch.Value, 'f', 3, 64) + " V"
		}
	}
	if e.WarmingUp {
		return fmt.Sprintf("%s, warming up, %s left", volts, e.WarmLeft.Round(time.Second))
	}
	return fmt.Sprintf("%s, %s: %s", volts, e.Band, e.BandWhy)
}

// postCalibrate takes one step as a form and goes back to the page, or shows it again with
// the reason.
func (s *Server) postCalibrate(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	cmd, err := formCalibration(r.PostForm.Get)
	if err == nil {
		err = cmd.Check()
	}
	if err != nil {
		s.sendCalibrate(w, r, http.StatusUnprocessableEntity, notice{Text: sentence(err), Refused: true})
		return
	}
	if status, err := s.carryOut(r, cmd); err != nil {
		s.sendCalibrate(w, r, status, notice{Text: sentence(err), Refused: status != http.StatusAccepted})
		return
	}
	http.Redirect(w, r, "/calibrate?done="+cmd.Verb(), http.StatusSeeOther)
}

// formCalibration reads a form of the calibration page.
func formCalibration(get func(string) string) (core.Command, error) {
	step := func(s estimate.CalibrationStep) (core.Command, error) { return core.Command{Calibrated: &s}, nil }
	switch get("do") {
	case "begin-scale":
		return step(estimate.CalibrationStep{Begin: estimate.TheScale})
	case "begin-gas":
		return step(estimate.CalibrationStep{Begin: estimate.TheGas})
	case "zero":
		return step(estimate.CalibrationStep{Zero: true})
	case "weight":
		k, err := formWeight(get)
		if err != nil {
			return core.Command{}, err
		}
		return step(estimate.CalibrationStep{Weight: &k})
	case "clean":
		return step(estimate.CalibrationStep{CleanAir: true})
	case "mix":
		ppm, err := entered(get("ppm"), "mix")
		if err != nil {
			return core.Command{}, err
		}
		if ppm == nil {
			return core.Command{}, errors.New("mix: enter the ppm of the certificate")
		}
		return step(estimate.CalibrationStep{Mix: &estimate.TestMix{Ppm: *ppm, Gas: get("gas")}})
	case "end-scale":
		return step(estimate.CalibrationStep{End: estimate.TheScale})
	case "end-gas":
		return step(estimate.CalibrationStep{End: estimate.TheGas})
	case "undo-scale":
		return core.Command{CalibrationUndone: estimate.TheScale}, nil
	case "undo-gas":
		return core.Command{CalibrationUndone: estimate.TheGas}, nil
	}
	return core.Command{}, errors.New("nothing asked for: the form names no action")
}

// formWeight reads a known weight. Fields that are of another kind are refused rather than
// overlooked: the number that counts must be the one the person meant.
func formWeight(get func(string) string) (k estimate.KnownWeight, err error) {
	k.Kind = get("kind")
	water := k.Kind == estimate.Water
	waterC := new(float64)
	for _, field := range []struct {
		key, what  string
		into       *float64
		mass, here bool
	}{
		{"weight", "weight", &k.Kg, true, !water},
		{"volume", "water", &k.VolumeL, false, water},
		{"water", "its temperature", waterC, false, water},
		{"container", "its container", &k.ContainerKg, true, water},
	} {
		v, err := entered(get(field.key), field.what)
		switch {
		case err != nil:
			return k, err
		case v == nil && field.here && field.key != "container":
			return k, fmt.Errorf("%s: enter it", field.what)
		case v == nil:
			continue
		case !field.here:
			return k, fmt.Errorf("%s: leave it empty for a weight that is known as %s", field.what, k.Kind)
		}
		if field.mass && get("mass") == "lb" {
			*v *= kgPerLb
		}
		*field.into = *v
	}
	if k.WaterC = *waterC; water && get("temp") == "f" {
		k.WaterC = (k.WaterC - 32) / 1.8
	}
	return k, nil
}
