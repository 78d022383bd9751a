package announce

import (
	"encoding/json"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// eventOf is the message of a transition as a stranger reads it, after the rules of
// CloudEvents 1.0 for required attributes, names and types were held against it.
func eventOf(t *testing.T, tr transition, now *alerts.Status) map[string]any {
	t.Helper()
	b, err := tr.message("van-1f2e3d4c", now)
	if err != nil {
		t.Fatal(err)
	}
	var e map[string]any
	if err := json.Unmarshal(b, &e); err != nil {
		t.Fatalf("%s: %v", b, err)
	}
	for _, name := range []string{"specversion", "id", "source", "type"} {
		if s, ok := e[name].(string); !ok || s == "" {
			t.Errorf("required attribute %s is %v, want a string that is not empty", name, e[name])
		}
	}
	if e["specversion"] != "1.0" {
		t.Errorf("specversion %v, want 1.0", e["specversion"])
	}
	if u, err := url.Parse(e["source"].(string)); err != nil || u.Scheme != "urn" {
		t.Errorf("source %v is not a URN: %v", e["source"], err)
	}
	for name, v := range e {
		if !regexp.MustCompile(`^[a-z0-9]{1,20}$`).MatchString(name) {
			t.Errorf("attribute name %q: want 1 to 20 lower-case letters or digits", name)
		}
		switch name {
		case "data":
			if e["datacontenttype"] != "application/json" {
				t.Errorf("datacontenttype %v beside JSON data", e["datacontenttype"])
			}
		case "time", "recordedtime", "expirytime":
			if _, err := time.Parse(time.RFC3339, v.(string)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		case "severitynumber":
			if n := v.(float64); n != float64(int(n)) || n < 1 || n > 24 {
				t.Errorf("severitynumber %v: want a whole number of the scale 1 to 24", v)
			}
		default:
			if _, ok := v.(string); !ok {
				t.Errorf("attribute %s is %T, want a string", name, v)
			}
		}
	}
	return e
}

func raised(id, priority string, seq uint64) transition {
	return transition{boot: boot, clockTrusted: true, durable: true, event: core.Event{
		Stamp: sensors.Stamp{Up: 61 * time.Second, Wall: morning}, Seq: seq,
		Alarm: &alerts.Transition{Kind: "alarm", ID: id, From: "normal", To: "unacknowledged", Priority: priority, Why: "31 > 10 % & rising"}}}
}

func TestATransitionIsACloudEvent(t *testing.T) {
	leave := &catalogue()[0]
	e := eventOf(t, raised("gas-leave", "critical", 42), leave)
	for name, want := range map[string]any{
		"id": "b-17-00000000000000000042", "source": "urn:frostline:van-1f2e3d4c", "type": "frostline.alarm.transition",
		"subject": "gas-leave", "sequence": "00000000000000000042", "time": "2026-11-25T06:10:00.000Z",
		"severitynumber": 21.0, "severitytext": "FATAL", "expirytime": nil, "recordedtime": nil,
	} {
		if e[name] != want {
			t.Errorf("%s = %v, want %v", name, e[name], want)
		}
	}
	data := e["data"].(map[string]any)
	for name, want := range map[string]any{
		"alarm": "gas-leave", "from": "normal", "to": "unacknowledged", "priority": "critical", "why": "31 > 10 % & rising",
		"durable": true, "title": "Gas at floor level", "runbook": "alerts/RUNBOOK.md#gas-leave", "up_s": 61.0, "boot": boot,
	} {
		if data[name] != want {
			t.Errorf("data.%s = %v, want %v", name, data[name], want)
		}
	}
}

func TestSeverityFollowsPriority(t *testing.T) {
	for priority, want := range map[string]struct {
		number float64
		text   string
	}{"critical": {21, "FATAL"}, "high": {21, "FATAL"}, "medium": {13, "WARN"}, "low": {9, "INFO"}, "": {21, "FATAL"}} {
		e := eventOf(t, raised("x", priority, 1), nil)
		if e["severitynumber"] != want.number || e["severitytext"] != want.text {
			t.Errorf("priority %q: %v %v, want %v %v", priority, e["severitynumber"], e["severitytext"], want.number, want.text)
		}
	}
}

func TestOnlyFuelExpiresAndGasNever(t *testing.T) {
	for _, r := range alerts.Catalogue(alerts.Defaults()) {
		e := eventOf(t, raised(r.ID, "medium", 1), &alerts.Status{ID: r.ID, Class: r.Class})
		_, expires := e["expirytime"]
		if fuel := r.Class == alerts.ClassFuel; expires != fuel {
			t.Errorf("%s (%s): expires %v, want %v", r.ID, r.Class, expires, fuel)
		}
	}
	e := eventOf(t, raised("fuel-below-night", "medium", 1), &alerts.Status{Class: alerts.ClassFuel})
	if e["expirytime"] != "2026-11-26T06:10:00.000Z" {
		t.Errorf("expirytime %v, want a day after the event", e["expirytime"])
	}
}

func TestATimeNobodyTrustsIsNotSaid(t *testing.T) {
	tr := raised("fuel-below-night", "medium", 1)
	tr.clockTrusted = false
	tr.recorded = morning
	e := eventOf(t, tr, &alerts.Status{Class: alerts.ClassFuel})
	for _, name := range []string{"time", "recordedtime", "expirytime"} {
		if v, ok := e[name]; ok {
			t.Errorf("%s = %v though the clock was not trusted", name, v)
		}
	}
	tr.clockTrusted, tr.recorded = true, morning.Add(-50*365*24*time.Hour)
	if e := eventOf(t, tr, nil); e["time"] != "2026-11-25T06:10:00.000Z" || e["recordedtime"] == nil {
		t.Errorf("re-dated: time %v, recordedtime %v; want the mended time and the old label", e["time"], e["recordedtime"])
	}
	tr.recorded = morning.Add(2 * time.Second)
	if e := eventOf(t, tr, nil); e["recordedtime"] != nil {
		t.Errorf("recordedtime %v for an event that only waited for its commit", e["recordedtime"])
	}
}

func TestSequencesSortAsText(t *testing.T) {
	var got []string
	for _, n := range []uint64{1, 9, 10, 99, 100, 1 << 40, 1<<64 - 1} {
		got = append(got, eventOf(t, raised("x", "low", n), nil)["sequence"].(string))
	}
	if !slices.IsSorted(got) || len(got[0]) != len(got[6]) {
		t.Errorf("sequences %v do not sort as text", got)
	}
	one, _ := raised("x", "low", 7).message("van-1", nil)
	two, _ := raised("x", "low", 7).message("van-1", nil)
	if string(one) != string(two) || !strings.Contains(string(one), "31 > 10 % & rising") {
		t.Errorf("a retry differs, or the reason is escaped: %s", one)
	}
}

func heldOf(id, priority, from, to string, seq, tick uint64) held {
	tr := raised(id, priority, seq)
	tr.event.Alarm.From, tr.event.Alarm.To, tr.durable = from, to, false
	return held{transition: tr, firstTick: tick, tick: tick, since: morning}
}

func seqs(s *spill) []uint64 {
	var out []uint64
	for _, h := range s.waiting {
		out = append(out, h.event.Seq)
	}
	return out
}

func TestAFullMemoryQueueFoldsBeforeItDrops(t *testing.T) {
	s := spill{max: 4}
	s.add(heldOf("gas-leave", "critical", "normal", "unacknowledged", 1, 1))
	s.add(heldOf("pipe-cold", "medium", "normal", "unacknowledged", 2, 2))
	s.add(heldOf("pipe-cold", "medium", "unacknowledged", "acknowledged", 3, 3))
	s.add(heldOf("gas-leave", "critical", "unacknowledged", "acknowledged", 4, 4))
	s.add(heldOf("starved", "high", "normal", "unacknowledged", 5, 5))
	if got := seqs(&s); !slices.Equal(got, []uint64{1, 3, 4, 5}) {
		t.Fatalf("after the first fold %v, want the pipe folded: 1 3 4 5", got)
	}
	pipe := s.waiting[1]
	if a := pipe.event.Alarm; a.From != "normal" || a.To != "acknowledged" || pipe.mergedN != 1 || !slices.Equal(pipe.through, []string{"unacknowledged"}) {
		t.Errorf("folded pipe %+v merged %d through %v, want normal to acknowledged through unacknowledged", a, pipe.mergedN, pipe.through)
	}
	s.add(heldOf("overfilled", "high", "normal", "unacknowledged", 6, 6)) // folds the gas
	s.add(heldOf("battery-low", "medium", "normal", "unacknowledged", 7, 7))
	if got := seqs(&s); !slices.Equal(got, []uint64{4, 5, 6, 7}) || s.lostN != 2 {
		t.Fatalf("queue %v lost %d, want 4 5 6 7 and the two pipe transitions lost", got, s.lostN)
	}
	if gas := s.waiting[0]; !slices.Equal(gas.through, []string{"unacknowledged"}) || gas.event.Alarm.Priority != "critical" {
		t.Errorf("the gas alarm forgot that it was raised: through %v", gas.through)
	}
}

func TestAWeekOfFloodNeverLosesACriticalAlarm(t *testing.T) {
	s := spill{max: spillMax}
	states := []string{"unacknowledged", "acknowledged", "normal"}
	r := alerts.Catalogue(alerts.Defaults())
	for n := range uint64(20_000) {
		a := r[n%uint64(len(r))]
		s.add(heldOf(a.ID, a.Priority.String(), states[(n+2)%3], states[n%3], n, n))
	}
	if len(s.waiting) > spillMax {
		t.Errorf("%d transitions in memory, want at most %d", len(s.waiting), spillMax)
	}
	if s.lostN != 0 {
		t.Errorf("%d lost though folding was enough", s.lostN)
	}
	for _, rule := range r {
		if !slices.ContainsFunc(s.waiting, func(h held) bool { return h.event.Alarm.ID == rule.ID }) {
			t.Errorf("nothing is left of %s", rule.ID)
		}
	}
	if !slices.IsSorted(seqs(&s)) {
		t.Error("folding broke the order")
	}
	for i := range s.waiting {
		if len(s.waiting[i].through) > len(alerts.States()) {
			t.Fatalf("through grew to %v", s.waiting[i].through)
		}
	}
}

func TestOnlyWhatIsCommittedLeavesTheMemoryQueue(t *testing.T) {
	s := spill{max: 3}
	shared := heldOf("pipe-cold", "medium", "normal", "unacknowledged", 1, 1)
	s.add(shared)
	s.add(heldOf("pipe-cold", "medium", "unacknowledged", "acknowledged", 2, 2))
	s.add(heldOf("starved", "high", "normal", "unacknowledged", 3, 2))
	s.add(heldOf("gas-leave", "critical", "normal", "unacknowledged", 4, 3)) // folds 1 into 2
	if shared.event.Alarm.To != "unacknowledged" || shared.event.Alarm.From != "normal" {
		t.Fatal("folding changed the transition of a snapshot")
	}
	s.committed(1)
	if got := seqs(&s); !slices.Equal(got, []uint64{2, 3, 4}) {
		t.Fatalf("after tick 1: %v, want the folded one to wait for tick 2 as well", got)
	}
	s.committed(2)
	if got := seqs(&s); !slices.Equal(got, []uint64{4}) {
		t.Fatalf("after tick 2: %v, want 4", got)
	}
	if _, ok := s.oldest(); ok {
		t.Error("a transition nobody has refused is already to be sent from memory")
	}
	s.refused(3)
	if tr, ok := s.oldest(); !ok || tr.event.Seq != 4 || tr.durable {
		t.Errorf("after the refusal of tick 3: %+v %v, want 4, not durable", tr, ok)
	}
	s.sent(boot, 4)
	if len(s.waiting) != 0 {
		t.Error("a sent transition stays")
	}
}
