package nights

import (
	"encoding/json"
	"testing"
	"time"

	"frostline/daemon/estimate"
	"frostline/sensors"
)

// lives ticks a ledger every five minutes from one wall label to another and returns the
// rows; at gives an order before the tick of that label.
func lives(t *testing.T, l *Ledger, from, to string, at map[string]Window) (rows []Night) {
	t.Helper()
	wall, err := time.Parse(time.RFC3339, from)
	if err != nil {
		t.Fatal(err)
	}
	end, err := time.Parse(time.RFC3339, to)
	if err != nil {
		t.Fatal(err)
	}
	e := &estimate.Estimates{ClockTrusted: true, FuelKg: estimate.Quantity{Value: 5, Low: 5, High: 5, Quality: sensors.Good},
		BurnKgPerH: estimate.Quantity{Quality: sensors.Good}, Cylinder: estimate.Present}
	for ; !wall.After(end); wall = wall.Add(30 * time.Second) {
		if w, ok := at[wall.Format("02T15:04:05")]; ok {
			l.Choose(w, wall)
		}
		if n := l.Step(sensors.Stamp{Up: wall.Sub(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)), Wall: wall}, e, 0); n != nil {
			rows = append(rows, *n)
		}
	}
	return rows
}

func TestARowKeepsTheWindowItBeganWith(t *testing.T) {
	usual, late := Params{StartMin: 18 * 60, EndMin: 10 * 60}, Window{20 * 60, 11 * 60}
	for name, c := range map[string]struct {
		at   string
		want [2][2]string // from and to of both rows
	}{
		"chosen by day":               {"14T12:00:00", [2][2]string{{"2026-01-14T20:00:00Z", "2026-01-15T11:00:00Z"}, {"2026-01-15T20:00:00Z", "2026-01-16T11:00:00Z"}}},
		"chosen in the night":         {"14T23:00:00", [2][2]string{{"2026-01-14T18:00:00Z", "2026-01-15T10:00:00Z"}, {"2026-01-15T20:00:00Z", "2026-01-16T11:00:00Z"}}},
		"chosen between the two ends": {"15T10:30:00", [2][2]string{{"2026-01-14T18:00:00Z", "2026-01-15T10:00:00Z"}, {"2026-01-15T20:00:00Z", "2026-01-16T11:00:00Z"}}},
	} {
		l := NewLedger(usual)
		rows := lives(t, l, "2026-01-14T11:00:00Z", "2026-01-16T12:00:00Z", map[string]Window{c.at: late})
		if len(rows) != 2 {
			t.Fatalf("%s: %d rows, want two", name, len(rows))
		}
		for i, want := range c.want {
			if rows[i].FromWall != want[0] || rows[i].ToWall != want[1] {
				t.Errorf("%s: row %d from %s to %s, want %s to %s", name, i, rows[i].FromWall, rows[i].ToWall, want[0], want[1])
			}
		}
	}
}

func TestAChosenWindowSurvivesARestartAndGivesWayToAChangedConfiguration(t *testing.T) {
	usual, late := Params{StartMin: 18 * 60, EndMin: 10 * 60}, Window{20 * 60, 11 * 60}
	for _, hour := range []string{"14T12:00:00", "14T23:00:00"} { // used at once, and waiting
		l := NewLedger(usual)
		lives(t, l, "2026-01-14T11:00:00Z", "2026-01-14T23:30:00Z", map[string]Window{hour: late})
		text, err := json.Marshal(l.Save())
		if err != nil {
			t.Fatal(err)
		}
		var s Saved
		if err := json.Unmarshal(text, &s); err != nil {
			t.Fatal(err)
		}
		again := NewLedger(usual)
		again.Restore(s)
		rows := lives(t, again, "2026-01-15T00:00:00Z", "2026-01-16T12:00:00Z", nil)
		if len(rows) != 2 || rows[1].FromWall != "2026-01-15T20:00:00Z" || !again.Chosen() {
			t.Errorf("chosen at %s: after a restart %d rows", hour, len(rows))
		}
		changed := NewLedger(Params{StartMin: 17 * 60, EndMin: 10 * 60})
		changed.Restore(s)
		if use, next := changed.Window(); use != (Window{17 * 60, 10 * 60}) || next != nil || changed.Chosen() {
			t.Errorf("chosen at %s: a changed configuration uses %+v, then %+v", hour, use, next)
		}
	}
	bad := NewLedger(usual)
	bad.Restore(Saved{Window: &chosenWindow{Use: Window{-5, 9999}, Of: Window{18 * 60, 10 * 60}}})
	if use, _ := bad.Window(); use != (Window{18 * 60, 10 * 60}) {
		t.Errorf("a window of no day is used: %+v", use)
	}
}
