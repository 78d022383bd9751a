package announce

import (
	"encoding/json"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

const base = "homie/5/van-1f2e3d4c"

var testDevice = device{base: base, version: "v1"}

func payloads(s *core.Snapshot) map[string]string {
	m := map[string]string{}
	for _, l := range testDevice.lines(facts{Snapshot: s}) {
		m[strings.TrimPrefix(l.topic, base+"/")] = l.payload
	}
	return m
}

func TestAQuietMorningInTheVanReadsThus(t *testing.T) {
	got := payloads(vanAt(60))
	want := map[string]string{
		"fuel/mass": "4.21", "fuel/mass-low": "3.86", "fuel/mass-high": "4.57", "fuel/burn": "0.167",
		"fuel/nights-left": "3.1", "fuel/nights-left-low": "2.2", "fuel/nights-left-high": "4.1",
		"fuel/quality": "good", "fuel/updated": "2026-11-25T06:11:00Z",
		"regulator/freeze-risk": "not-assessed", "regulator/seat-margin": "-3.2",
		"gas/band": "background", "gas/quality": "good", "gas/pct-lel": "", "gas/certified-alarm": "not-sounding", "gas/co-alarm": "unknown",
		"climate/cabin": "17.2", "climate/outside": "-11.0", "climate/locker": "0.0", "climate/pipe": "6.5", "climate/quality": "good",
		"cylinder/presence": "present", "cylinder/moving": "false", "cylinder/gross": "12.31", "cylinder/pressure": "371",
		"alarms/worst": "none", "alarms/sounding": "false", "alarms/count": "0",
		"tonight/verdict": "Likely enough. About 3 more nights.", "tonight/expected-low": "-12.0", "tonight/enough": "yes",
		"tonight/full-input-left": "20.6",
		"tonight/fuel-odds":       "0.93", "tonight/pressure-odds": "0.42", "tonight/thin-after": "6.2",
		"tonight/burn": "1.60", "tonight/burn-low": "1.31", "tonight/burn-high": "1.92", "tonight/end-fuel": "",
		"nights/heat-loss": "", "nights/learned": "false", "nights/forecasts": "0", "nights/forecasts-held": "0",
		"system/clock-trusted": "true", "system/version": "v1", "system/boots": "17", "system/alarms-dropped": "0",
		"$alert/gas-leave": "", "$alert/sensor-cabin-c": "",
	}
	for topic, payload := range want {
		if g, ok := got[topic]; !ok || g != payload {
			t.Errorf("%s = %q (there: %v), want %q", topic, g, ok, payload)
		}
	}
}

func TestWhatIsNotKnownIsDeletedAndItsQualitySaysWhy(t *testing.T) {
	tests := map[string]struct {
		change func(*core.Snapshot)
		want   map[string]string
	}{
		"the scale's lead is cut": {
			func(s *core.Snapshot) {
				bad := estimate.Quantity{Value: 4.2, Low: 4, High: 5, Quality: sensors.Bad, Why: "timeout"}
				s.Est.FuelKg, s.Est.GrossKg, s.Est.BurnKgPerH = bad, bad, bad
				s.Est.Channels[0].Quality, s.Est.Channels[0].Why = sensors.Bad, "timeout"
			},
			map[string]string{"fuel/mass": "", "fuel/mass-low": "", "fuel/mass-high": "", "fuel/burn": "", "fuel/updated": "",
				"fuel/quality": "failed", "cylinder/gross": "", "cylinder/quality": "failed",
				"$alert/sensor-load-counts": "Not watching: load_counts (timeout)"},
		},
		"a thermometer fell silent": {
			func(s *core.Snapshot) {
				s.Est.CabinC = estimate.Unknown("no reading for 60 s")
				s.Est.Channels[2].Quality = sensors.Missing
			},
			map[string]string{"climate/cabin": "", "climate/outside": "-11.0", "climate/quality": "stale",
				"$alert/sensor-cabin-c": "Not watching: cabin_c (missing)"},
		},
		"a thermometer that never spoke is no alert yet": {
			func(s *core.Snapshot) {
				s.Est.CabinC = estimate.Unknown("starting")
				s.Est.Channels[2].Quality, s.Est.Channels[2].Seen = sensors.Missing, false
			},
			map[string]string{"climate/cabin": "", "$alert/sensor-cabin-c": ""},
		},
		"a doubtful weight still shows": {
			func(s *core.Snapshot) { s.Est.FuelKg.Quality = sensors.Suspect },
			map[string]string{"fuel/mass": "4.21", "fuel/quality": "uncertain"},
		},
		"the gas sensor's heater is open": {
			func(s *core.Snapshot) { s.Est.Band, s.Est.GasFault = estimate.Blind, "heater-open" },
			map[string]string{"gas/band": "blind", "gas/quality": "failed"},
		},
		"the gas sensor warms up": {
			func(s *core.Snapshot) { s.Est.Band, s.Est.WarmingUp = estimate.Blind, true },
			map[string]string{"gas/band": "blind", "gas/quality": "stale"},
		},
		"no band at all is blind": {
			func(s *core.Snapshot) { s.Est.Band = "" },
			map[string]string{"gas/band": "blind", "gas/quality": "stale"},
		},
		"the sensor met a test mix": {
			func(s *core.Snapshot) { s.Est.FloorGasPctLEL = good(6.6, 3, 14, s.Stamp.Up) },
			map[string]string{"gas/pct-lel": "7"},
		},
		"the board booted in the past": {
			func(s *core.Snapshot) { s.Est.ClockTrusted = false },
			map[string]string{"fuel/mass": "4.21", "fuel/updated": "", "climate/updated": "", "system/clock-trusted": "false"},
		},
		"a weight that came as no number": {
			func(s *core.Snapshot) { s.Est.FuelKg.Value = math.NaN(); s.Est.FuelKg.High = math.Inf(1) },
			map[string]string{"fuel/mass": "", "fuel/mass-low": "3.86", "fuel/mass-high": ""},
		},
		"an empty cylinder is not below nothing": {
			func(s *core.Snapshot) { s.Est.FuelKg.Value, s.Est.FuelKg.Low = -0.001, -0.2 },
			map[string]string{"fuel/mass": "0.00", "fuel/mass-low": "0.00"},
		},
		"no forecast yet": {
			func(s *core.Snapshot) {
				s.Tonight.ExpectedLowC, s.Tonight.Verdict, s.Tonight.Enough = estimate.Unknown("no forecast"), "", estimate.Unsure
			},
			map[string]string{"tonight/expected-low": "", "tonight/verdict": "", "tonight/enough": "unknown"},
		},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			s := vanAt(60)
			tt.change(s)
			got := payloads(s)
			for topic, payload := range tt.want {
				if got[topic] != payload {
					t.Errorf("%s = %q, want %q", topic, got[topic], payload)
				}
			}
		})
	}
}

func TestAnAlertStandsWhileItsAlarmIsOnTheList(t *testing.T) {
	tests := map[alerts.State]struct {
		text            string
		count, sounding string
	}{
		alerts.Normal:         {"", "0", "false"},
		alerts.Unacked:        {"Gas at floor level. 4 of 5 readings above the limit. Out. No switches, no flame, no phone inside.", "1", "true"},
		alerts.Acked:          {"Gas at floor level. 4 of 5 readings above the limit. Out. No switches, no flame, no phone inside. [acknowledged]", "1", "false"},
		alerts.LatchedUnacked: {"Gas at floor level. 4 of 5 readings above the limit. Out. No switches, no flame, no phone inside. [latched, not acknowledged]", "1", "false"},
		alerts.LatchedAcked:   {"Gas at floor level. 4 of 5 readings above the limit. Out. No switches, no flame, no phone inside. [latched until a person resets it]", "1", "false"},
		alerts.Suppressed:     {"", "0", "false"},
		alerts.OutOfService:   {"", "0", "false"},
	}
	for state, want := range tests {
		got := payloads(put(vanAt(5), "gas-leave", state, 1))
		if got["$alert/gas-leave"] != want.text || got["alarms/count"] != want.count || got["alarms/sounding"] != want.sounding {
			t.Errorf("state %d: alert %q, count %s, sounding %s; want %q, %s, %s", state,
				got["$alert/gas-leave"], got["alarms/count"], got["alarms/sounding"], want.text, want.count, want.sounding)
		}
	}
	s := put(put(vanAt(5), "clock-untrusted", alerts.Unacked, 1), "pipe-cold", alerts.Unacked, 2)
	if got := payloads(s)["alarms/worst"]; got != "medium" {
		t.Errorf("worst of a low and a medium alarm is %q, want medium", got)
	}
}

// document is the description as the convention has it, decoded strictly.
type document struct {
	Homie   string `json:"homie"`
	Version uint64 `json:"version"`
	Name    string `json:"name"`
	Type    string `json:"type"`
	Nodes   map[string]struct {
		Name       string `json:"name"`
		Type       string `json:"type"`
		Properties map[string]struct {
			Name, Datatype, Format, Unit string
			Settable                     bool
			Retained                     *bool
		} `json:"properties"`
	} `json:"nodes"`
}

func describe(t interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}, s *core.Snapshot) document {
	t.Helper()
	b, err := testDevice.description(s)
	if err != nil {
		t.Fatal(err)
	}
	dec := json.NewDecoder(strings.NewReader(string(b)))
	dec.DisallowUnknownFields()
	var d document
	if err := dec.Decode(&d); err != nil {
		t.Fatalf("description %s: %v", b, err)
	}
	return d
}

func TestTheDescriptionFollowsTheConvention(t *testing.T) {
	d := describe(t, vanAt(1))
	if d.Homie != "5.0" || d.Version == 0 || d.Version >= 1<<53 {
		t.Errorf("homie %q version %d, want 5.0 and a version of 1 to 2^53-1", d.Homie, d.Version)
	}
	if got := slices.Sorted(maps.Keys(d.Nodes)); !slices.Equal(got, []string{"alarms", "climate", "cylinder", "fuel", "gas", "nights", "regulator", "system", "tonight"}) {
		t.Errorf("nodes %v", got)
	}
	settable := ""
	for nodeID, n := range d.Nodes {
		if !validID(nodeID) {
			t.Errorf("node id %q breaks the rule", nodeID)
		}
		for id, p := range n.Properties {
			where := nodeID + "/" + id
			if !validID(id) {
				t.Errorf("%s: id breaks the rule", where)
			}
			if p.Retained != nil {
				t.Errorf("%s: retained is said though the default holds", where)
			}
			if p.Settable {
				settable += where + " "
			}
			if err := checkFormat(p.Datatype, p.Format); err != "" {
				t.Errorf("%s: %s", where, err)
			}
		}
	}
	if settable != "tonight/expected-low " {
		t.Errorf("settable: %q, want only tonight/expected-low", settable)
	}
	for _, r := range alerts.Catalogue(alerts.Defaults()) {
		if !validID(r.ID) || strings.HasPrefix(r.ID, "sensor-") && slices.ContainsFunc(sensors.Known(), func(ch sensors.Channel) bool {
			return sensorAlert(ch) == r.ID
		}) {
			t.Errorf("alarm id %q cannot be an alert topic", r.ID)
		}
	}
}

func TestTheDescriptionsVersionChangesExactlyWithTheDocument(t *testing.T) {
	one, two := describe(t, vanAt(1)), describe(t, vanAt(900))
	if one.Version != two.Version {
		t.Errorf("the same van has versions %d and %d", one.Version, two.Version)
	}
	s := vanAt(1)
	s.Est.Channels = slices.DeleteFunc(s.Est.Channels, func(c estimate.ChannelState) bool { return c.Channel == sensors.LockerC })
	less := describe(t, s)
	if _, there := less.Nodes["climate"].Properties["locker"]; there {
		t.Error("a van without a locker thermometer still describes one")
	}
	if less.Version == one.Version {
		t.Error("another document has the same version")
	}
	if got := payloads(s); got["climate/locker"] != "" || got["climate/quality"] != "good" {
		t.Errorf("an unfitted thermometer says %q and makes the group %q", got["climate/locker"], got["climate/quality"])
	}
}

func TestIDsFollowTheRule(t *testing.T) {
	for id, want := range map[string]bool{"van-1": true, "a": true, "7": true, "": false, "-a": false, "a-": false,
		"Van": false, "a_b": false, "a/b": false, "a b": false, "ü": false, "$a": false, "a\n": false} {
		if validID(id) != want {
			t.Errorf("validID(%q) = %v, want %v", id, !want, want)
		}
	}
}

// checkFormat and checkPayload are the rules of the convention, written down a second time.
func checkFormat(datatype, format string) string {
	switch datatype {
	case "enum":
		items := strings.Split(format, ",")
		slices.Sort(items)
		if slices.Contains(items, "") || len(slices.Compact(items)) != len(strings.Split(format, ",")) {
			return "enum with an empty or double item, or none: " + format
		}
	case "float", "integer":
		if format != "" && !regexp.MustCompile(`^(-?\d+(\.\d+)?)?:(-?\d+(\.\d+)?)?(:\d+(\.\d+)?)?$`).MatchString(format) {
			return "range is malformed: " + format
		}
	case "boolean", "string", "datetime":
		if format != "" {
			return datatype + " with a format: " + format
		}
	default:
		return "datatype " + datatype
	}
	return ""
}

func checkPayload(datatype, format, payload string) string {
	switch datatype {
	case "enum":
		if !slices.Contains(strings.Split(format, ","), payload) {
			return "not one of " + format
		}
	case "boolean":
		if payload != "true" && payload != "false" {
			return "not a boolean"
		}
	case "integer", "float":
		rule := `^-?\d+$`
		if datatype == "float" {
			rule = `^-?\d+(\.\d+)?$`
		}
		v, err := strconv.ParseFloat(payload, 64)
		if !regexp.MustCompile(rule).MatchString(payload) || err != nil || payload == "-0" {
			return "not a number"
		}
		if low, high, ok := strings.Cut(format, ":"); ok {
			if l, err := strconv.ParseFloat(low, 64); err == nil && v < l {
				return "below " + format
			}
			if h, err := strconv.ParseFloat(high, 64); err == nil && v > h {
				return "above " + format
			}
		}
	case "datetime":
		if _, err := time.Parse(time.RFC3339, payload); err != nil || !strings.HasSuffix(payload, "Z") {
			return "not a UTC time"
		}
	}
	return ""
}

func TestWhateverTheVanBelievesTheTopicsKeepTheirRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := vanAt(rapid.Uint64Range(1, 1e7).Draw(t, "tick"))
		number := rapid.OneOf(rapid.Float64Range(-1e4, 1e4), rapid.SampledFrom([]float64{0, math.Copysign(0, -1), -0.0001, math.NaN(), math.Inf(1), math.Inf(-1)}))
		for _, q := range []*estimate.Quantity{&s.Est.FuelKg, &s.Est.BurnKgPerH, &s.Est.CabinC, &s.Est.SeatMarginK,
			&s.Est.FloorGasPctLEL, &s.Est.CylinderKPa, &s.Tonight.NightsLeft, &s.Tonight.ExpectedLowC} {
			*q = estimate.Quantity{Value: number.Draw(t, "value"), Low: number.Draw(t, "low"), High: number.Draw(t, "high"),
				Quality: sensors.Quality(rapid.IntRange(0, 3).Draw(t, "quality"))}
		}
		s.Est.Band = estimate.GasBand(rapid.SampledFrom([]string{"", "blind", "trace", "leave", "nonsense"}).Draw(t, "band"))
		s.Est.Cylinder = estimate.Presence(rapid.SampledFrom([]string{"", "present", "removed"}).Draw(t, "presence"))
		s.Est.ClockTrusted = rapid.Bool().Draw(t, "clock")
		got, again := payloads(s), payloads(s)
		if !maps.Equal(got, again) {
			t.Fatal("the same snapshot was told in two ways")
		}
		for nodeID, n := range describe(t, s).Nodes {
			for id, p := range n.Properties {
				payload, there := got[nodeID+"/"+id]
				if !there {
					t.Fatalf("%s/%s is described and has no topic", nodeID, id)
				}
				if payload == "" {
					continue // deleted
				}
				if why := checkPayload(p.Datatype, p.Format, payload); why != "" {
					t.Fatalf("%s/%s = %q: %s", nodeID, id, payload, why)
				}
			}
		}
	})
}

func TestTheLinesComeInOneOrder(t *testing.T) {
	first := testDevice.lines(facts{Snapshot: vanAt(1)})
	for range 20 {
		for i, l := range testDevice.lines(facts{Snapshot: vanAt(1)}) {
			if l.topic != first[i].topic {
				t.Fatalf("line %d is %s, and was %s", i, l.topic, first[i].topic)
			}
		}
	}
	if first[0].topic != base+"/fuel/mass" {
		t.Errorf("the first line is %s, want fuel/mass", first[0].topic)
	}
}
