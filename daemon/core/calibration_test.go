package core

import (
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// calibrationParams are those of a scale with the wrong numbers.
func calibrationParams() Params {
	return Params{Wiring: someWiring, Setpoints: alerts.Setpoints{Sounder: true}, Estimate: estimate.Params{
		Scale:    estimate.Scale{CountsPerKg: 40000, ZeroCounts: 60000, CalibratedAtC: 20, CapacityKg: 50},
		Cylinder: estimate.Cylinder{TareKg: 7.7, CapacityKg: 9.1}}}
}

// calibrationInputs is an hour in which somebody calibrates the scale: 42900 counts/kg.
func calibrationInputs() (ins []Input) {
	commands := map[int]*Command{}
	step := func(at int, s estimate.CalibrationStep) { commands[at] = &Command{Actor: "board", Calibrated: &s} }
	step(600, estimate.CalibrationStep{Begin: estimate.TheScale})
	step(660, estimate.CalibrationStep{Zero: true})
	step(720, estimate.CalibrationStep{Weight: &estimate.KnownWeight{Kind: estimate.Shop, Kg: 10}})
	step(780, estimate.CalibrationStep{End: estimate.TheScale})
	heard := true
	commands[800] = &Command{Actor: "board", SounderHeard: &heard}
	for i := range 3600 {
		kg := 13.7
		switch {
		case i > 610 && i <= 670:
			kg = 0
		case i > 670 && i <= 730:
			kg = 10
		}
		r := []sensors.Reading{sensors.Of(float64(int(52000+42900*kg) + i*7%5)), {}, {}}
		if i%10 == 0 {
			r[2] = sensors.Of(12)
		}
		ins = append(ins, Input{Stamp: sensors.Stamp{Up: time.Duration(i+1) * time.Second}, Boot: "a", Readings: r, Command: commands[i]})
	}
	return ins
}

// TestACalibrationIsInTheRecordingAndInTheCheckpoint lives a calibration, replays it from
// its recording, and goes on after a power cut.
func TestACalibrationIsInTheRecordingAndInTheCheckpoint(t *testing.T) {
	ins := calibrationInputs()
	lived := New(calibrationParams())
	var last *Snapshot
	var words []string
	for _, in := range ins {
		last = lived.Step(in)
		if last.Refused != "" {
			t.Fatalf("at %v: %s", in.Stamp.Up, last.Refused)
		}
		for _, e := range last.Events {
			if e.Happening != nil && e.Happening.Kind == estimate.Calibrated {
				words = append(words, e.Happening.Why)
			}
		}
	}
	if len(words) != 2 || !strings.Contains(words[1], "counts/kg") || !strings.Contains(words[1], "cell at 12.0 C") {
		t.Errorf("the log says %q", words)
	}
	if got := last.Est.Calibration.ScaleNow.CountsPerKg; got < 42890 || got > 42910 {
		t.Fatalf("lived to %.1f counts/kg, want 42900", got)
	}
	if q := last.Est.FuelKg; !(q.Low < 6 && 6 < q.High) {
		t.Errorf("fuel %+v, want 6 kg in it", q)
	}

	again, damage, _ := decodeAll(t, encode(t, NewHeader(someWiring), ins), someWiring)
	if len(damage) > 0 {
		t.Fatal(damage)
	}
	replayed := New(calibrationParams())
	for _, in := range again {
		replayed.Step(in)
	}
	if a, b := string(lived.Checkpoint()), string(replayed.Checkpoint()); a != b {
		t.Errorf("a replay ends elsewhere:\n%s\n%s", a, b)
	}

	next := New(calibrationParams())
	if err := next.Restore(lived.Checkpoint()); err != nil {
		t.Fatal(err)
	}
	s := next.Step(Input{Stamp: sensors.Stamp{Up: time.Second}, Boot: "b", Readings: make([]sensors.Reading, 3)})
	if s.Est.Calibration.ScaleNow != last.Est.Calibration.ScaleNow || s.Heard == nil || s.Heard.Actor != "board" {
		t.Errorf("after a power cut %+v, heard %+v", s.Est.Calibration.ScaleNow, s.Heard)
	}
	no := false
	s = next.Step(Input{Stamp: sensors.Stamp{Up: 2 * time.Second}, Boot: "b", Readings: make([]sensors.Reading, 3), Command: &Command{SounderHeard: &no}})
	if s.Heard != nil {
		t.Error("nobody hears it any more, and the state says otherwise")
	}
}

// Whoever was calibrating when the program stopped has a page or a terminal that goes on as if
// nothing had been: it is said to them, where they look and with the next step they take.
func TestARestartWithinACalibrationIsSaid(t *testing.T) {
	v := newScaleVan(t)
	if s := v.live(0, &Command{Calibrated: &estimate.CalibrationStep{Begin: estimate.TheScale}}); s.Refused != "" {
		t.Fatal(s.Refused)
	}
	saved := v.c.saved
	v.c = New(calibrationParams())
	if err := v.c.Restore(saved); err != nil {
		t.Fatal(err)
	}
	boot := "b"
	on := func(cmd *Command) *Snapshot {
		v.up += time.Second
		return v.c.Step(Input{Stamp: sensors.Stamp{Up: v.up}, Boot: boot, Command: cmd, Readings: []sensors.Reading{sensors.Of(52000), {}, sensors.Of(12)}})
	}
	if s := on(nil); s.Est.Calibration.Begun != "" || s.Est.Calibration.Cut != estimate.TheScale {
		t.Errorf("after the restart: %+v", s.Est.Calibration)
	}
	for _, next := range []struct{ name, boot string }{{"a reload", "b"}, {"a second restart", "c"}, {"a reload of that", "c"}} {
		saved := v.c.Checkpoint()
		v.c = New(calibrationParams())
		if err := v.c.Restore(saved); err != nil {
			t.Fatal(err)
		}
		boot = next.boot
		if s := on(nil); s.Est.Calibration.Cut != estimate.TheScale {
			t.Errorf("after %s too: %+v", next.name, s.Est.Calibration)
		}
	}
	for _, step := range []estimate.CalibrationStep{{Zero: true}, {End: estimate.TheScale}} {
		s := on(&Command{Calibrated: &step})
		if !strings.Contains(s.Refused, "restarted") || !strings.Contains(s.Refused, "begin") {
			t.Errorf("%+v after a restart: %q, want that it was restarted and to begin again", step, s.Refused)
		}
	}
	if s := on(&Command{Calibrated: &estimate.CalibrationStep{Begin: estimate.TheScale}}); s.Refused != "" {
		t.Fatal(s.Refused)
	}
	if s := on(nil); s.Est.Calibration.Cut != "" || s.Est.Calibration.Begun != estimate.TheScale {
		t.Errorf("begun again: %+v", s.Est.Calibration)
	}
}
