package announce

import (
	"encoding/json"
	"fmt"
	"hash/fnv"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/sensors"
)

// How often a changed value may be sent again. A radio link in a van is narrow and shared;
// a band or an alarm goes at once.
const (
	atOnce    = time.Duration(0)
	noisy     = 10 * time.Second // numbers whose last digit moves all the time
	timeLabel = time.Minute      // "updated", which changes with every reading
)

// The quality enum beside every group of values.
const qualityFormat = "good,uncertain,stale,failed"

// expectedLow is the one property that can be set.
const (
	expectedLow     = "tonight/expected-low"
	expectedLowMinC = -60 // below any road; nothing here is fitted beyond it
	expectedLowMaxC = 40
)

// validID reports whether s may be one segment of a Homie topic: a-z, 0-9 and hyphens, no
// hyphen first or last.
func validID(s string) bool {
	ok, err := regexp.MatchString(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?$`, s)
	return ok && err == nil
}

// facts is what a value may be said from.
type facts struct {
	*core.Snapshot
	version string
	lostN   uint64 // transitions the memory queue had to drop
}

// node and property are the device as data: what the description says and how each value
// is said. say returns the payload, or "" when it is not known.
type node struct {
	id, name, kind string
	properties     []property
}

type property struct {
	id, name, datatype, format, unit string
	settable                         bool
	fitted                           sensors.Channel // left out of a van without it; "" is always there
	pace                             time.Duration
	say                              func(facts) string
}

// line is one retained topic. An empty payload deletes it: Homie knows no other way to
// say that a value is unknown, and the last value would be a lie.
type line struct {
	topic, payload string
	pace           time.Duration
}

// device maps snapshots to topics. Its shape depends on the wiring alone.
type device struct {
	base    string // homie/5/<device-id>
	version string
}

func (d device) topic(rest string) string { return d.base + "/" + rest }

// lines renders every retained topic below the device but $state and $description, in a
// fixed order: the tree, then one alert per alarm of the catalogue, then one per sensor.
func (d device) lines(f facts) []line {
	f.version = d.version
	var out []line
	for _, n := range tree() {
		for _, p := range n.properties {
			l := line{topic: d.topic(n.id + "/" + p.id), pace: p.pace}
			if has(f.Snapshot, p.fitted) {
				l.payload = p.say(f)
			}
			out = append(out, l)
		}
	}
	for i := range f.Alarms {
		a := &f.Alarms[i]
		l := line{topic: d.topic("$alert/" + a.ID), pace: atOnce}
		if a.State.Standing() {
			l.payload = alertText(a)
		}
		out = append(out, l)
	}
	for _, c := range f.Est.Channels {
		if c.Channel.IsHealth() {
			continue
		}
		l := line{topic: d.topic("$alert/" + sensorAlert(c.Channel)), pace: noisy}
		if c.Quality == sensors.Bad || c.Quality == sensors.Missing && c.Seen {
			l.payload = "Not watching: " + string(c.Channel) + " (" + orElse(c.Why, c.Quality.String()) + ")"
		}
		out = append(out, l)
	}
	return out
}

// sensorAlert is the alert id of a sensor that is not watching.
func sensorAlert(ch sensors.Channel) string {
	return "sensor-" + strings.ReplaceAll(string(ch), "_", "-")
}

// description is the Homie document for a van wired as in s. Its version is a hash of the
// document, so it changes exactly when the document does and needs no clock or counter.
func (d device) description(s *core.Snapshot) ([]byte, error) {
	type propertyDoc struct {
		Name     string `json:"name"`
		Datatype string `json:"datatype"`
		Format   string `json:"format,omitempty"`
		Unit     string `json:"unit,omitempty"`
		Settable bool   `json:"settable,omitempty"`
	}
	type nodeDoc struct {
		Name       string                 `json:"name"`
		Type       string                 `json:"type"`
		Properties map[string]propertyDoc `json:"properties"` // encoding/json sorts keys
	}
	doc := struct {
		Homie   string             `json:"homie"`
		Version uint64             `json:"version"`
		Name    string             `json:"name"`
		Type    string             `json:"type"`
		Nodes   map[string]nodeDoc `json:"nodes"`
	}{Homie: "5.0", Name: "frostline", Type: "frostline.van", Nodes: map[string]nodeDoc{}}
	for _, n := range tree() {
		properties := map[string]propertyDoc{}
		for _, p := range n.properties {
			if has(s, p.fitted) {
				properties[p.id] = propertyDoc{p.name, p.datatype, p.format, p.unit, p.settable}
			}
		}
		doc.Nodes[n.id] = nodeDoc{n.name, n.kind, properties}
	}
	unversioned, err := json.Marshal(doc)
	if err != nil {
		return nil, fmt.Errorf("homie description: %w", err)
	}
	h := fnv.New64a()
	h.Write(unversioned)                      // a hash never refuses
	doc.Version = max(1, h.Sum64()&(1<<53-1)) // what every JSON reader holds exactly
	return json.Marshal(doc)
}

func has(s *core.Snapshot, ch sensors.Channel) bool {
	if ch == "" {
		return true
	}
	_, ok := channel(s.Est, ch)
	return ok
}

func channel(e *estimate.Estimates, ch sensors.Channel) (estimate.ChannelState, bool) {
	for _, c := range e.Channels {
		if c.Channel == ch {
			return c, true
		}
	}
	return estimate.ChannelState{}, false
}

// alertText is one alarm for people: what, the numbers behind it, what to do first.
func alertText(a *alerts.Status) string {
	var b strings.Builder
	b.WriteString(a.Title)
	for _, s := range []string{a.Why, a.Action} {
		if s == "" {
			continue
		}
		if !strings.HasSuffix(b.String(), ".") {
			b.WriteByte('.')
		}
		b.WriteString(" " + s)
	}
	switch a.State { // that a level fell is in Why; "normal" would promise too much
	case alerts.Acked:
		b.WriteString(" [acknowledged]")
	case alerts.Returned:
		b.WriteString(" [not acknowledged]")
	case alerts.LatchedUnacked:
		b.WriteString(" [latched, not acknowledged]")
	case alerts.LatchedAcked:
		b.WriteString(" [latched until a person resets it]")
	}
	return b.String()
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// decimal is v as a Homie float: no exponent, no "+", no "-0". What is not finite is unknown.
func decimal(v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// amount is decimal for what cannot be negative, as its format "0:" promises.
func amount(v float64, digits int) string { return decimal(max(0, v), digits) }

// known is the payload of a quantity, "" unless it means anything.
func known(q estimate.Quantity, payload string) string {
	if !q.Known() {
		return ""
	}
	return payload
}

// quality is the word of the quality enum: the reading's own quality as controllers know it.
func quality(q sensors.Quality) string {
	switch q {
	case sensors.Good:
		return "good"
	case sensors.Suspect:
		return "uncertain"
	case sensors.Bad:
		return "failed"
	}
	return "stale"
}

// updated is the wall time of a moment of Up, only while the wall clock can be believed.
func updated(f facts, at time.Duration) string {
	if !f.Est.ClockTrusted || f.Stamp.Wall.IsZero() {
		return ""
	}
	return f.Stamp.Wall.Add(at - f.Stamp.Up).UTC().Format("2006-01-02T15:04:05Z")
}

func updatedQuantity(f facts, q estimate.Quantity) string {
	if !q.Known() {
		return ""
	}
	return updated(f, q.At)
}

func tristate(t estimate.Tristate, yes, no string) string {
	switch t {
	case estimate.Yes:
		return yes
	case estimate.No:
		return no
	}
	return "unknown"
}
