package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"frostline/daemon/core"
	"frostline/sensors"
	"frostline/sensors/sim"
	"frostline/testdata/scenarios"
	"frostline/testdata/score"
)

// ownVans are the scenarios that are redrawn, from testdata/score/scenarios; "leak" is the
// demo's.
var ownVans = [...]string{"night", "gale", "loss-150", "loss-150-heated", "loss-30", "front", "floor-gas", "leak", "galley", "valve", "empties", "change"}

// netMJPerKg turns a stove's kW into gas and back; only the scorer uses it, for the truth.
const netMJPerKg = 46.35

// ownRedraw is one van of a scenario of which the owner knows as much as he would: the stamp
// of the tare is off by 40 g (one standard deviation), the cell's coefficients lie within the
// data sheet's limits, and noise, weather and habits are the seed's.
func ownRedraw(name, grade string, draw int) (*sim.Van, error) {
	var text io.Reader
	var err error
	if name == "leak" {
		text, err = scenarios.Open(name)
	} else {
		var b []byte
		b, err = os.ReadFile(filepath.Join("../../testdata/score/scenarios", name+".toml"))
		text = bytes.NewReader(b)
	}
	if err != nil {
		return nil, err
	}
	s, err := sim.Load(text, name)
	if err != nil {
		return nil, err
	}
	s.Van.Scale.Grade = grade
	s.Van.Scale.NoiseG, s.Van.Scale.WalkG = 0, 0 // Load has filled in those of another grade
	if s.Van.Scale, err = gradedScale(grade); err != nil {
		return nil, err
	}
	r := rand.New(rand.NewPCG(uint64(draw), 46))
	within := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	c := &s.Van.Cylinder
	c.StampedTareKg = c.TareKg + 0.040*r.NormFloat64()
	if name != "empties" && name != "change" {
		c.FuelKg = within(2.5, 8.8)
	}
	s.Van.Heater.PlateErrorFrac = within(-0.08, 0.08) // estimation.md 2, appliances
	s.Van.AltitudeM = within(0, 1500)
	s.Van.Scale.LagMin = within(25, 60) // estimation.md 2
	s.Van.Gas.Commissioned = draw%2 == 0
	if draw%2 == 1 && name != "valve" && name != "empties" {
		s.Channels = withoutChannel(s.Channels, sensors.HeatCall)
	}
	return sim.New(s, uint64(1000*draw)+uint64(len(name))), nil
}

// gradedScale is the load cell of a grade as a scenario would have it.
func gradedScale(grade string) (sim.ScaleSpec, error) {
	s, err := sim.Load(strings.NewReader("what = \"a cell\"\n[van.scale]\ngrade = \""+grade+"\"\n"), grade)
	return s.Van.Scale, err
}

func withoutChannel(all []sensors.Channel, not sensors.Channel) (out []sensors.Channel) {
	for _, ch := range all {
		if ch != not {
			out = append(out, ch)
		}
	}
	return out
}

// ownTruth writes what really happened in the form the scorer reads.
type ownTruth struct {
	rows, events strings.Builder
	last         sim.Truth
	seen         bool
	n            int
	burn, heater float64
	stove, leak  float64
	lit, windMPS float64
	starvedSince time.Time
	starving     bool
}

func newOwnTruth() *ownTruth {
	var w ownTruth
	w.rows.WriteString("time,fuel_kg,burn_kg_h,heater_on,stove_kw,leak_kg_h,liquid_temp_c,cylinder_present,moving,wind_m_s,gas_ppm\n")
	w.events.WriteString("time,kind,detail\n")
	return &w
}

func (w *ownTruth) happened(at time.Time, kind string) {
	fmt.Fprintf(&w.events, "%s,%s,\n", at.Format(time.RFC3339), kind)
}

// add takes the truth after a tick.
func (w *ownTruth) add(t sim.Truth) {
	at := t.Wall
	if w.seen {
		w.notice(t)
		leak := t.LeakGPerH / 1000
		w.n++
		w.burn += t.BurnKgPerH - leak
		w.heater += t.HeaterKgPerH
		w.stove += t.BurnKgPerH - leak - t.HeaterKgPerH
		w.leak += leak
		w.windMPS += t.WindMPerS
		if t.HeaterOn {
			w.lit++
		}
		if at.Second() == 0 {
			n := float64(w.n)
			fmt.Fprintf(&w.rows, "%s,%.6f,%.6f,%.4f,%.6f,%.6f,%.3f,%d,%d,%.2f,%.1f\n", at.Format(time.RFC3339), t.FuelKg, w.burn/n, w.lit/n,
				w.stove/n*netMJPerKg/3.6, w.leak/n, t.LiquidC, oneIf(t.CylinderPresent), oneIf(t.Moving), w.windMPS/n, t.GasPpm)
			w.n, w.burn, w.heater, w.stove, w.leak, w.lit, w.windMPS = 0, 0, 0, 0, 0, 0, 0
		}
	}
	w.last, w.seen = t, true
}

// notice writes down what changed since the tick before. A heater starves from the call for
// heat that stays without a flame; a flame between two tries that dies within ten minutes
// does not end that.
func (w *ownTruth) notice(t sim.Truth) {
	was := w.last
	switch {
	case was.CylinderPresent && !t.CylinderPresent:
		w.happened(t.Wall, "removed")
	case !was.CylinderPresent && t.CylinderPresent && t.TareKg == was.TareKg:
		w.happened(t.Wall, "refill")
	case !was.CylinderPresent && t.CylinderPresent:
		w.happened(t.Wall, "swap")
	}
	if was.LeakGPerH == 0 && t.LeakGPerH > 0 && was.ValveOpen {
		w.happened(t.Wall, "leak_start")
	}
	if !t.HeatCall || t.HeaterOn {
		w.starvedSince = time.Time{}
	} else if w.starvedSince.IsZero() {
		w.starvedSince = t.Wall
	}
	if t.Starved && !w.starving {
		w.starving = true
		w.happened(w.starvedSince, "starve_start")
	}
	if w.starving && !t.Starved {
		w.starving = false
		w.happened(t.Wall, "starve_end")
	}
}

func oneIf(b bool) int {
	if b {
		return 1
	}
	return 0
}

// ownRecording records one redraw, replays it through the program as it is shipped and reads
// what that printed.
func ownRecording(bin, dir, name, grade string, draw int) (*score.Recording, error) {
	v, err := ownRedraw(name, grade, draw)
	if err != nil {
		return nil, err
	}
	conf := strings.Replace(vanConfig(v.Scenario().What, v, true), `tare_error = "0.12 kg"`, `tare_error = "0.04 kg"`, 1)
	path := func(file string) string { return filepath.Join(dir, file) }
	if err := os.WriteFile(path("van.toml"), []byte(conf), 0o644); err != nil {
		return nil, err
	}
	truth, err := ownRecorded(v, path("recording.csv"))
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(bin, "replay", "--config", path("van.toml"), "--every", "10",
		"--estimates", path("est.csv"), "--events", path("events.jsonl"), path("recording.csv"))
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, errors.Join(err, errors.New(string(out)))
	}
	est, err := os.ReadFile(path("est.csv"))
	if err != nil {
		return nil, err
	}
	events, err := os.ReadFile(path("events.jsonl"))
	if err != nil {
		return nil, err
	}
	return score.Read(strings.NewReader(ownVan(v, name, grade)), strings.NewReader(truth.rows.String()), strings.NewReader(truth.events.String()),
		bytes.NewReader(est), bytes.NewReader(events))
}

// ownVan is the van as its owner knows it, in the form the scorer reads.
func ownVan(v *sim.Van, name, grade string) string {
	s := v.Scenario()
	heat := "null"
	if v.Wiring().Index(sensors.HeatCall) >= 0 {
		heat = `"thermostat"`
	}
	var appliances []string
	for _, a := range v.Owner().Appliances {
		appliances = append(appliances, fmt.Sprintf(`{"name":%q,"kind":%q,"rated_kw":%g}`, a.Name, a.Kind, a.KW))
	}
	return fmt.Sprintf(`{"name":%q,"start":%q,"utc_offset_h":%g,"scale":{"grade":%q,"record_every_s":%g},"fuel":{"net_heating_value_mj_per_kg":%g},"appliances":[%s],"inputs":{"heatcall":%s}}`,
		name, s.Start.Format(time.RFC3339), s.UTCOffsetH, grade, s.Tick.Seconds(), netMJPerKg, strings.Join(appliances, ","), heat)
}

// ownRecorded lives the van to its end into a recording.
func ownRecorded(v *sim.Van, file string) (truth *ownTruth, err error) {
	h := core.NewHeader(v.Wiring())
	h.What, h.Where = v.Scenario().What, "a van that does not exist"
	rec, err := newRecorder(world{}, file, h)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rec.Close()) }()
	truth = newOwnTruth()
	readings := make([]sensors.Reading, len(v.Wiring()))
	for {
		clear(readings)
		st, err := v.Read(context.Background(), readings)
		if errors.Is(err, io.EOF) {
			return truth, nil
		}
		if err != nil {
			return nil, err
		}
		if err := rec.enc.Encode(core.Input{Stamp: st, Boot: v.Boot(), Readings: readings}); err != nil {
			return nil, err
		}
		truth.add(v.Truth())
	}
}

// TestScoresOfOwnScenarios redraws our own scenarios, with the good cell and with the cheap
// one, replays each redraw through the program as it is shipped and holds what it printed
// against the truth. FROSTLINE_REDRAWS=20 makes twenty of each instead of one; -v prints the table
// of DEVELOPERS.md.
func TestScoresOfOwnScenarios(t *testing.T) {
	if testing.Short() {
		t.Skip("long: a redraw of each scenario, with both cells")
	}
	redraws := 1
	if n := os.Getenv("FROSTLINE_REDRAWS"); n != "" {
		var err error
		if redraws, err = strconv.Atoi(n); err != nil || redraws < 1 {
			t.Fatalf("FROSTLINE_REDRAWS=%q: want a number from 1", n)
		}
	}
	only := os.Getenv("FROSTLINE_SCENARIO")
	bin := built(t)
	type job struct {
		name, grade string
		draw        int
	}
	var jobs []job
	for draw := range redraws {
		for _, name := range ownVans {
			for _, grade := range []string{"good", "cheap"} {
				if only == "" || only == name {
					jobs = append(jobs, job{name, grade, draw})
				}
			}
		}
	}
	type result struct {
		r   *score.Recording
		err error
	}
	results := make([]chan result, len(jobs))
	for i := range results {
		results[i] = make(chan result, 1)
	}
	ahead := make(chan struct{}, 2) // as many at a time
	var wait sync.WaitGroup
	defer wait.Wait()
	wait.Go(func() {
		for i, j := range jobs {
			ahead <- struct{}{}
			dir := filepath.Join(t.TempDir(), strconv.Itoa(i))
			wait.Go(func() {
				defer func() { <-ahead }()
				err := os.Mkdir(dir, 0o755)
				var r *score.Recording
				if err == nil {
					r, err = ownRecording(bin, dir, j.name, j.grade, j.draw)
				}
				results[i] <- result{r, errors.Join(err, os.RemoveAll(dir))}
			})
		}
	})
	var own score.Own
	for i, j := range jobs { // in order, so that the same redraws give the same table
		got := <-results[i]
		if got.err != nil {
			t.Errorf("%s, %s cell, redraw %d: %v", j.name, j.grade, j.draw, got.err)
			continue
		}
		own.Add(got.r)
	}
	lines := own.Lines()
	n := own.Draws()
	t.Logf("%d redraws of each of %d scenarios: %d with the good cell, %d with the cheap one\n%s", redraws, len(ownVans), n[0], n[1], score.OwnMarkdown(lines))
}
