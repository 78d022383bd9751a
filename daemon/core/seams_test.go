package core

import (
	"strings"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// scaleVan goes on where the hour of calibrationInputs ends.
type scaleVan struct {
	c  *Core
	up time.Duration
	n  int
}

func newScaleVan(t *testing.T) *scaleVan {
	t.Helper()
	v := &scaleVan{c: New(calibrationParams())}
	for _, in := range calibrationInputs() {
		if s := v.c.Step(in); s.Refused != "" {
			t.Fatal(s.Refused)
		}
		v.up = in.Stamp.Up
	}
	return v
}

// live steps a second with kg on the scale.
func (v *scaleVan) live(kg float64, cmd *Command) *Snapshot {
	v.up += time.Second
	v.n++
	return v.c.Step(Input{Stamp: sensors.Stamp{Up: v.up}, Boot: "a", Command: cmd,
		Readings: []sensors.Reading{sensors.Of(float64(int(52000+42900*kg) + v.n*7%5)), {}, sensors.Of(12)}})
}

func TestAChangeIsNotUndoneAcrossACalibration(t *testing.T) {
	v := newScaleVan(t)
	if s := v.live(13.7, &Command{Changed: &estimate.Change{TareKg: 7.9}}); s.Refused != "" {
		t.Fatal(s.Refused)
	}
	if s := v.live(13.7, nil); s.Est.UndoForS == 0 {
		t.Fatal("a change just noted cannot be undone")
	}
	if s := v.live(13.7, &Command{CalibrationUndone: estimate.TheScale}); s.Refused != "" {
		t.Fatal(s.Refused)
	}
	if s := v.live(13.7, &Command{Undone: true}); s.Refused == "" {
		t.Error("a change was undone whose weights are those of another calibration")
	}
}

func TestACalibrationIsNotUndoneOnTheRoad(t *testing.T) {
	v := newScaleVan(t)
	var s *Snapshot
	for i := 0; i < 600 && (s == nil || !s.Est.Moving); i++ {
		s = v.live(13.7+0.2*float64(i%2), nil)
	}
	if !s.Est.Moving {
		t.Fatal("ten minutes of shaking are no drive")
	}
	if s = v.live(13.7, &Command{CalibrationUndone: estimate.TheScale}); !strings.Contains(s.Refused, "moving") {
		t.Errorf("on the road it was taken: %q", s.Refused)
	}
}

func TestAReloadDoesNotEndACalibration(t *testing.T) {
	v := newScaleVan(t)
	step := func(kg float64, st estimate.CalibrationStep) *Snapshot {
		t.Helper()
		s := v.live(kg, &Command{Calibrated: &st})
		if s.Refused != "" {
			t.Fatalf("%+v: %s", st, s.Refused)
		}
		return s
	}
	step(13.7, estimate.CalibrationStep{Begin: estimate.TheScale})
	for range 60 {
		v.live(0, nil)
	}
	step(0, estimate.CalibrationStep{Zero: true})
	v.live(10, nil)
	saved := v.c.Checkpoint()
	v.c = New(calibrationParams())
	if err := v.c.Restore(saved); err != nil {
		t.Fatal(err)
	}
	var s *Snapshot
	for range 120 {
		s = v.live(10, nil)
		for _, e := range s.Events {
			if e.Happening != nil && e.Happening.Kind == estimate.CylinderPlaced {
				t.Fatalf("a known weight is taken for a cylinder: %+v", e.Happening)
			}
		}
	}
	if s.Est.Calibration.Begun != estimate.TheScale {
		t.Errorf("what is being calibrated is %q after the reload, want the scale", s.Est.Calibration.Begun)
	}
	step(10, estimate.CalibrationStep{End: estimate.TheScale})
}
