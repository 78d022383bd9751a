package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/history"
	"frostline/sensors"
	"frostline/sensors/hw"
)

const checkExamples = `  frostline check
  frostline check --config van.toml --json
  frostline check --live
  frostline check --live --for 60s
  frostline check --reference > frostline.toml
`

const (
	probeWithin = 15 * time.Second // slow thermometers on one bus take a second each
	noiseFor    = 10 * time.Second
	noiseLeastN = 3 // readings, below which a standard deviation says nothing
)

// finding is one line of the table: a sensor or a part of the installation.
type finding struct {
	What     string   `json:"what"`
	Expected string   `json:"expected,omitempty"` // by the configuration
	Where    string   `json:"where,omitempty"`    // what answered
	Raw      string   `json:"raw,omitempty"`
	Value    *float64 `json:"value,omitempty"`    // in the unit that ends the channel's name
	Noise    *float64 `json:"noise_sd,omitempty"` // one standard deviation, the same unit
	NoiseN   int      `json:"noise_n,omitempty"`  // readings it is of
	OK       bool     `json:"ok"`
	Note     string   `json:"note,omitempty"` // worth knowing, and not wrong
	Wrong    string   `json:"wrong,omitempty"`
	Saw      string   `json:"saw,omitempty"` // what answered instead
	DoThis   string   `json:"do,omitempty"`
}

func checkCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	conf := fs.String("config", defaultConfig, "configuration `file`")
	sysfs := fs.String("sysfs", "/sys", "`root` of sysfs")
	asJSON := fs.Bool("json", false, "as JSON")
	reference := fs.Bool("reference", false, "print the complete, commented configuration and end")
	noise := fs.Duration("noise", noiseFor, "`time` to listen for the noise of each sensor; 0s reads each once")
	live := fs.Bool("live", false, "name each sensor as you warm it, press it or breathe on it, until Ctrl-C")
	liveFor := fs.Duration("for", 0, "`time` after which --live ends by itself")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case noWords(words) != nil:
		return noWords(words)
	case *noise < 0 || *noise > time.Hour:
		return usagef("--noise lies between 0s and 1h")
	case *liveFor != 0 && !*live:
		return usagef("--for is for --live")
	case *live && *asJSON:
		return usagef("--live and --json exclude each other")
	case *reference:
		_, err := io.WriteString(w.out, config.Reference)
		return err
	}
	cfg, err := config.Load(*conf)
	if err != nil {
		fmt.Fprintln(w.err, err)
		switch {
		case errors.Is(err, os.ErrNotExist):
			fmt.Fprintln(w.err, "name yours with --config, or begin with the complete one: frostline check --reference")
		case errors.Is(err, os.ErrPermission):
			fmt.Fprintln(w.err, "ask as the service does: sudo -u frostline frostline check")
		}
		return errFound
	}
	if *live {
		return checkLive(ctx, w, cfg, *sysfs, *liveFor)
	}
	said := askDaemon(ctx, cfg.StateDir)
	found := []finding{{What: "configuration", Where: *conf, OK: true}}
	sensed, err := checkSensors(ctx, w, cfg, *sysfs, *noise, said.scale)
	if err != nil {
		return err
	}
	found = append(append(found, checkBuses(cfg, *sysfs)...), sensed...)
	found = append(found, checkScale(cfg, said)...)
	found = append(found, checkStore(cfg.StateDir), said.finding)
	found = append(found, checkBroker(ctx, cfg.MQTT)...)
	found = append(found, checkNodes(cfg, "/dev")...)
	found = append(found, checkSounder(cfg.Sounder, said.heard))
	found = append(found, checkPage(cfg.Page, time.Now())...)
	if err := printFindings(w.out, found, *asJSON); err != nil {
		return err
	}
	for _, f := range found {
		if !f.OK {
			return errFound
		}
	}
	return nil
}

// peopleSaid is what the daemon, or its store while it does not run, says of what people told it.
type peopleSaid struct {
	finding
	running bool
	scale   *estimate.ScaleConstants
	heard   *core.Heard
}

func askDaemon(ctx context.Context, dir string) peopleSaid {
	t := peopleSaid{finding: finding{What: "daemon", Where: filepath.Join(dir, controlFile), OK: true, Note: "not running"}}
	var s calibrationState
	if err := newControl(dir).ask(ctx, "GET", "/api/calibration", nil, &s); err == nil {
		t.running, t.scale, t.heard, t.Note = true, s.Scale, s.Heard, "running"
		return t
	} else if _, there := os.Stat(filepath.Join(dir, controlFile)); there == nil {
		t.Note = "not answering: " + err.Error()
	}
	file := filepath.Join(dir, historyFile)
	if _, err := os.Stat(file); err != nil {
		return t
	}
	store, err := history.Open(file, history.Options{Reading: true})
	if err != nil {
		if errors.Is(err, history.ErrDamaged) {
			t.Note = and(t.Note, err.Error())
		}
		return t
	}
	defer store.Close()
	if last, err := store.Resume(); err == nil && last.Checkpoint != nil {
		t.heard = core.HeardIn(last.Checkpoint)
	}
	return t
}

// checkSensors asks every sensor, and listens for a while how much each one moves.
func checkSensors(ctx context.Context, w world, cfg *config.Config, sysfs string, listen time.Duration, scale *estimate.ScaleConstants) ([]finding, error) {
	if len(cfg.Board) == 0 {
		return []finding{{What: "sensors", Wrong: "no sensor has a driver", DoThis: "give each [[sensor]] a driver; frostline check --reference shows how"}}, nil
	}
	board, err := hw.Open(hw.Options{Root: sysfs, Wires: oftener(cfg.Board), Wiring: cfg.Core.Wiring})
	if err != nil {
		return nil, err
	}
	defer board.Close()
	probing, cancel := context.WithTimeout(ctx, probeWithin)
	defer cancel()
	probed := board.Probe(probing)
	heard, clock := hearken(ctx, w, board, cfg.Core.Wiring, listen)
	var out []finding
	for _, p := range probed {
		ch := p.Wire.Channel
		f := finding{What: string(ch), Expected: expected(p.Wire), Where: p.Where, Raw: p.Raw, OK: p.Err == nil, DoThis: p.Do}
		if p.Err != nil {
			f.Wrong, f.Saw = p.Means, p.Err.Error()
		} else if p.Reading.Quality == sensors.Good {
			v := p.Reading.Value
			f.Value, f.Note = &v, converted(ch, v, cfg.Core.Estimate, scale)
		}
		if i := cfg.Core.Wiring.Index(ch); i >= 0 && heard[i].n >= noiseLeastN {
			sd := heard[i].sd()
			f.Noise, f.NoiseN = &sd, heard[i].n
			if sd == 0 && (ch == sensors.LoadCounts || ch == sensors.GasV) && p.Err == nil {
				f.Note = and(f.Note, "every reading is the same; an ADC at work is never that quiet")
			}
			if heard[i].bad > 0 && p.Err == nil {
				f.Note = and(f.Note, fmt.Sprintf("%d of %d readings failed: a loose contact?", heard[i].bad, heard[i].bad+heard[i].n))
			}
		}
		out = append(out, f)
	}
	return append(out, checkClock(clock)), nil
}

// oftener asks every sensor once a second, however seldom the daemon does.
func oftener(wires []hw.Wire) []hw.Wire {
	out := append([]hw.Wire(nil), wires...)
	for i := range out {
		out[i].Period = min(out[i].Period, time.Second)
	}
	return out
}

// spread gathers the readings of one channel.
type spread struct {
	n, bad        int
	mean, squares float64
}

func (s *spread) take(r sensors.Reading) {
	switch r.Quality {
	case sensors.Good:
		s.n++
		off := r.Value - s.mean
		s.mean += off / float64(s.n)
		s.squares += off * (r.Value - s.mean)
	case sensors.Bad:
		s.bad++
	}
}

func (s *spread) sd() float64 { return math.Sqrt(s.squares / float64(max(s.n-1, 1))) }

const hearEvery = 100 * time.Millisecond

// hearken reads the board for a while. On a terminal it says how long it takes.
func hearken(ctx context.Context, w world, board *hw.Board, wiring sensors.Wiring, listen time.Duration) (heard []spread, clock sensors.Reading) {
	heard = make([]spread, len(wiring))
	readings := make([]sensors.Reading, len(wiring))
	shows := isTerminal(w.err)
	ticks := time.NewTicker(hearEvery)
	defer ticks.Stop()
	end := time.After(listen)
	for left := listen; ; left -= hearEvery {
		clear(readings)
		if _, err := board.Read(ctx, readings); err != nil {
			return heard, clock
		}
		for i, r := range readings {
			heard[i].take(r)
			if wiring[i].Channel == sensors.ClockSynced && r.Quality != sensors.Missing {
				clock = r
			}
		}
		if shows && listen > 0 {
			fmt.Fprintf(w.err, "\r\x1b[Klistening for noise, %d s left", int(max(left, 0).Seconds()+0.5))
		}
		if listen <= 0 {
			return heard, clock
		}
		select {
		case <-ctx.Done():
		case <-end:
		case <-ticks.C:
			continue
		}
		if shows {
			fmt.Fprint(w.err, "\r\x1b[K")
		}
		return heard, clock
	}
}

// expected is the device the configuration names.
func expected(w hw.Wire) string {
	parts := []string{string(w.Driver)}
	for _, p := range []string{w.Device, w.Label, w.Address, w.Attribute} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	return strings.Join(parts, " ")
}

// unitOf is the unit that ends a channel's name.
func unitOf(ch sensors.Channel) string {
	for _, u := range [...]struct{ tail, unit string }{{"_counts", "counts"}, {"_v", "V"}, {"_c", "°C"}, {"_kpa", "kPa"}, {"_pct", "%"}} {
		if strings.HasSuffix(string(ch), u.tail) {
			return u.unit
		}
	}
	return ""
}

// converted says what a raw value comes to.
func converted(ch sensors.Channel, v float64, p estimate.Params, scale *estimate.ScaleConstants) string {
	switch ch {
	case sensors.LoadCounts:
		k, zero := p.Scale.CountsPerKg, p.Scale.ZeroCounts
		if scale != nil {
			k, zero = scale.CountsPerKg, scale.ZeroCounts
		}
		if k != 0 {
			return number((v-zero)/k, 3) + " kg on the scale"
		}
	case sensors.GasV:
		if p.Gas.LoadOhm > 0 && v > 0 && v < p.Gas.SupplyV {
			return number(p.Gas.LoadOhm*(p.Gas.SupplyV-v)/v/1000, 1) + " kohm of the sensor at its nominal supply"
		}
	}
	return ""
}

func and(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// checkScale says whether the load cell has numbers.
func checkScale(cfg *config.Config, said peopleSaid) []finding {
	if cfg.Core.Wiring.Index(sensors.LoadCounts) < 0 {
		return nil
	}
	f := finding{What: "calibration", OK: true}
	switch {
	case said.scale != nil && *said.scale != constantsOf(cfg):
		f.Note = "by frostline calibrate scale; frostline calibrate scale --list shows it"
	case cfg.Core.Estimate.Scale.CountsPerKg != 0:
		f.Note = "by the configuration"
	case !said.running:
		f.Note = "not in the configuration; whether one is kept, the running daemon says"
	default:
		f.OK, f.Wrong, f.DoThis = false, "the scale is not calibrated, so fuel is unknown", "frostline calibrate scale leads through it"
	}
	return []finding{f}
}

func constantsOf(cfg *config.Config) estimate.ScaleConstants {
	s := cfg.Core.Estimate.Scale
	return estimate.ScaleConstants{CountsPerKg: s.CountsPerKg, ZeroCounts: s.ZeroCounts, CalibratedAtC: s.CalibratedAtC,
		SpanSDFrac: s.SpanSDFrac, ZeroSDKg: s.ZeroSDKg}
}

func checkSounder(s *config.Sounder, heard *core.Heard) finding {
	f := finding{What: "sounder", Wrong: "nothing here can wake you", DoThis: "fit a sounder and a [sounder] table; a phone page is no wake-up"}
	switch {
	case s == nil:
	case hw.FindSounder(s.Line) != nil:
		f.Where, f.Wrong = s.Line, hw.FindSounder(s.Line).Error()
		f.DoThis = "nothing here can wake you until this line is there: look at its name, the overlay, and the group gpio"
	case !s.Tested && heard == nil:
		f.Where, f.Wrong = s.Line, "nobody has heard this sounder yet: nothing here can wake you"
		f.DoThis = "frostline drill plays it and keeps your answer; hear it at each sleeping place"
	default:
		f = finding{What: "sounder", Where: s.Line, OK: true, Note: "heard, by the configuration"}
		if heard != nil {
			f.Note = "heard " + madeAt(estimate.Made{Wall: heard.Wall, ClockTrusted: heard.ClockTrusted})
		}
	}
	return f
}

func printFindings(out io.Writer, found []finding, asJSON bool) error {
	if asJSON {
		e := json.NewEncoder(out)
		e.SetIndent("", "  ")
		return e.Encode(struct {
			Checked string    `json:"checked"`
			Found   []finding `json:"found"`
		}{core.FormatWall(time.Now()), found})
	}
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, f := range found {
		state, value, noise := "ok", "", ""
		if !f.OK {
			state = "WRONG"
		}
		unit := unitOf(sensors.Channel(f.What))
		if f.Value != nil {
			value = strings.TrimSpace(number(*f.Value, 3) + " " + unit)
		}
		if f.Noise != nil {
			noise = strings.TrimSpace("noise " + sig(*f.Noise, 2) + " " + unit)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", state, f.What, value, noise, f.Where, f.Note)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, f := range found {
		if !f.OK {
			fmt.Fprintf(out, "\n%s: %s\n", f.What, f.Wrong)
			if f.Expected != "" {
				fmt.Fprintf(out, "  expected: %s\n", f.Expected)
			}
			if f.Saw != "" {
				fmt.Fprintf(out, "  saw: %s\n", f.Saw)
			}
			fmt.Fprintf(out, "  %s\n", f.DoThis)
		}
	}
	_, err := fmt.Fprint(out, "\n", disclaimer)
	return err
}
