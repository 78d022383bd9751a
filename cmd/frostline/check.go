package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"frostline/config"
	"frostline/daemon/core"
	"frostline/sensors"
	"frostline/sensors/hw"
)

const checkExamples = `  frostline check
  frostline check --config van.toml --json
  frostline check --reference > frostline.toml
`

const probeWithin = 15 * time.Second // slow thermometers on one bus take a second each

// finding is one line of the table: a sensor or a part of the installation.
type finding struct {
	What   string   `json:"what"`
	Where  string   `json:"where,omitempty"`
	Raw    string   `json:"raw,omitempty"`
	Value  *float64 `json:"value,omitempty"` // in the unit that ends the channel's name
	OK     bool     `json:"ok"`
	Wrong  string   `json:"wrong,omitempty"`
	Saw    string   `json:"saw,omitempty"` // what was asked, and what answered instead
	DoThis string   `json:"do,omitempty"`
}

func checkCmd(ctx context.Context, w world, fs *flag.FlagSet, args []string) error {
	conf := fs.String("config", defaultConfig, "configuration `file`")
	sysfs := fs.String("sysfs", "/sys", "`root` of sysfs")
	asJSON := fs.Bool("json", false, "as JSON")
	reference := fs.Bool("reference", false, "print the complete, commented configuration and end")
	words, err := parse(fs, args)
	switch {
	case err != nil:
		return err
	case noWords(words) != nil:
		return noWords(words)
	case *reference:
		_, err := io.WriteString(w.out, config.Reference)
		return err
	}
	cfg, err := config.Load(*conf)
	if err != nil {
		fmt.Fprintln(w.err, err)
		return errFound
	}
	found := []finding{{What: "configuration", Where: *conf, OK: true}}
	sensed, err := checkSensors(ctx, w, cfg, *sysfs)
	if err != nil {
		return err
	}
	found = append(append(found, sensed...), checkStore(cfg.StateDir), checkSounder(cfg.Sounder))
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

func checkSensors(ctx context.Context, w world, cfg *config.Config, sysfs string) ([]finding, error) {
	if len(cfg.Board) == 0 {
		return []finding{{What: "sensors", Wrong: "no sensor has a driver", DoThis: "give each [[sensor]] a driver; frostline check --reference shows how"}}, nil
	}
	board, err := hw.Open(hw.Options{Root: sysfs, Wires: cfg.Board, Wiring: cfg.Core.Wiring, Log: w.log})
	if err != nil {
		return nil, err
	}
	defer board.Close()
	ctx, cancel := context.WithTimeout(ctx, probeWithin)
	defer cancel()
	var out []finding
	for _, p := range board.Probe(ctx) {
		f := finding{What: string(p.Wire.Channel), Where: p.Where, Raw: p.Raw, OK: p.Err == nil, DoThis: p.Do}
		if p.Err != nil {
			f.Wrong, f.Saw = p.Means, p.Err.Error()
		} else if p.Reading.Quality == sensors.Good {
			v := p.Reading.Value
			f.Value = &v
		}
		out = append(out, f)
	}
	return out, nil
}

// checkStore writes and syncs a file where the state lives.
func checkStore(dir string) finding {
	f := finding{What: "store", Where: dir, DoThis: "make the directory, and let the user frostline runs as write to it"}
	probe, err := os.CreateTemp(dir, ".check-*")
	if err == nil {
		_, err = probe.WriteString("frostline\n")
		if e := probe.Sync(); err == nil {
			err = e
		}
		probe.Close()
		os.Remove(filepath.Join(dir, filepath.Base(probe.Name())))
	}
	if err != nil {
		f.Wrong = err.Error()
		return f
	}
	f.OK, f.DoThis = true, ""
	return f
}

func checkSounder(s *config.Sounder) finding {
	f := finding{What: "sounder", Wrong: "nothing here can wake you", DoThis: "fit a sounder and a [sounder] table; a phone page is no wake-up"}
	switch {
	case s == nil:
	case hw.FindSounder(s.Line) != nil:
		f.Where, f.Wrong = s.Line, hw.FindSounder(s.Line).Error()
		f.DoThis = "nothing here can wake you until this line is there: look at its name, the overlay, and the group gpio"
	case !s.Tested:
		f.Where, f.Wrong = s.Line, "nobody has heard this sounder yet: nothing here can wake you"
		f.DoThis = "hear it once at each sleeping place, then set tested = true"
	default:
		return finding{What: "sounder", Where: s.Line, OK: true}
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
		state, value := "ok", ""
		if !f.OK {
			state = "WRONG"
		}
		if f.Value != nil {
			value = number(*f.Value, 3)
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", state, f.What, value, f.Where)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, f := range found {
		if !f.OK {
			fmt.Fprintf(out, "\n%s: %s\n  %s\n", f.What, f.Wrong, f.DoThis)
			if f.Saw != "" {
				fmt.Fprintf(out, "  saw: %s\n", f.Saw)
			}
		}
	}
	_, err := fmt.Fprint(out, "\n", disclaimer)
	return err
}
