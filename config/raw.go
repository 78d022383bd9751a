package config

import (
	"reflect"
	"slices"
	"strings"
)

// The raw structs mirror the file. Every value is taken as it stands, so that a wrong type
// is one more problem in the list instead of the end of it.
type rawConfig struct {
	Van       rawVan         `toml:"van"`
	Scale     rawScale       `toml:"scale"`
	Cylinder  rawCylinder    `toml:"cylinder"`
	Regulator rawRegulator   `toml:"regulator"`
	Appliance []rawAppliance `toml:"appliance"`
	Load      []rawLoad      `toml:"load"`
	Gas       rawGas         `toml:"gas"`
	Sensor    []rawSensor    `toml:"sensor"`
	Night     rawNight       `toml:"night"`
	Alarms    rawAlarms      `toml:"alarms"`
	Page      rawPage        `toml:"page"`
	MQTT      *rawMQTT       `toml:"mqtt"`
	Webhook   *rawWebhook    `toml:"webhook"`
	Mail      *rawMail       `toml:"mail"`
	Store     rawStore       `toml:"store"`
	Sounder   *rawSounder    `toml:"sounder"`
}

type rawVan struct {
	Name     any `toml:"name"`
	Zone     any `toml:"zone"`
	Altitude any `toml:"altitude"`
}

type rawScale struct {
	CountsPerMass any `toml:"counts_per_mass"`
	Zero          any `toml:"zero"`
	CalibratedAt  any `toml:"calibrated_at"`
	Capacity      any `toml:"capacity"`
	ZeroDrift     any `toml:"zero_drift"`
	SpanDrift     any `toml:"span_drift"`
	Creep         any `toml:"creep"`
	SpanError     any `toml:"span_error"`
	ZeroError     any `toml:"zero_error"`
	RatedOutput   any `toml:"rated_output"`
	Thermometer   any `toml:"thermometer"`
}

type rawCylinder struct {
	Tare        any `toml:"tare"`
	TareError   any `toml:"tare_error"`
	Capacity    any `toml:"capacity"`
	Blend       any `toml:"blend"`
	Size        any `toml:"size"`
	Water       any `toml:"water_capacity"`
	Diameter    any `toml:"diameter"`
	RequalifyBy any `toml:"requalify_by"`
	Price       any `toml:"price"`
}

type rawRegulator struct {
	Stages     any `toml:"stages"`
	LeastInlet any `toml:"least_inlet"`
}

type rawAppliance struct {
	Name  any `toml:"name"`
	Kind  any `toml:"kind"`
	Input any `toml:"input"`
	Least any `toml:"least"`
	Basis any `toml:"basis"`

	Efficiency any `toml:"efficiency"`
}

type rawLoad struct {
	Name    any `toml:"name"`
	Current any `toml:"current"`
	Power   any `toml:"power"`
	Voltage any `toml:"voltage"`
	When    any `toml:"when"`
}

type rawGas struct {
	Supply        any `toml:"supply"`
	Load          any `toml:"load"`
	CleanAirRatio any `toml:"clean_air_ratio"`
	CurveA        any `toml:"curve_a"`
	CurveB        any `toml:"curve_b"`
	R0            any `toml:"r0"`
	TestMix       any `toml:"test_mix"`
}

type rawSensor struct {
	Channel   any `toml:"channel"`
	Period    any `toml:"period"`
	Driver    any `toml:"driver"`
	Device    any `toml:"device"`
	Label     any `toml:"label"`
	Address   any `toml:"address"`
	Attribute any `toml:"attribute"`
	Gain      any `toml:"gain"`
	Bus       any `toml:"bus"`
	Line      any `toml:"line"`
	Data      any `toml:"data"`
	Clock     any `toml:"clock"`
	Invert    any `toml:"invert"`
	Pull      any `toml:"pull"`
}

type rawNight struct {
	Start any `toml:"start"`
	End   any `toml:"end"`
}

type rawAlarms struct {
	Pipe         any `toml:"pipe"`
	Battery      any `toml:"battery"`
	QuietFrom    any `toml:"quiet_from"`
	QuietTo      any `toml:"quiet_to"`
	WaterDrained any `toml:"water_drained"`
	Stored       any `toml:"stored"`
}

type rawPage struct {
	Listen   any `toml:"listen"`
	Hosts    any `toml:"hosts"`
	Metrics  any `toml:"metrics"`
	Commands any `toml:"commands"`

	Pair         any `toml:"pair"`
	Glance       any `toml:"glance"`
	MetricsToken any `toml:"metrics_token_file"`
	CertFile     any `toml:"cert_file"`
	KeyFile      any `toml:"key_file"`
}

type rawMQTT struct {
	Broker       any `toml:"broker"`
	Device       any `toml:"device"`
	Domain       any `toml:"domain"`
	Events       any `toml:"events"`
	User         any `toml:"user"`
	PasswordFile any `toml:"password_file"`
	CAFile       any `toml:"ca_file"`
	CertFile     any `toml:"cert_file"`
	KeyFile      any `toml:"key_file"`
}

type rawWebhook struct {
	URL        any `toml:"url"`
	SecretFile any `toml:"secret_file"`
	CAFile     any `toml:"ca_file"`
	Daily      any `toml:"daily"`
}

type rawMail struct {
	Server       any `toml:"server"`
	From         any `toml:"from"`
	To           any `toml:"to"`
	User         any `toml:"user"`
	PasswordFile any `toml:"password_file"`
	CAFile       any `toml:"ca_file"`
	Daily        any `toml:"daily"`
}

type rawStore struct {
	Dir any `toml:"dir"`
}

type rawSounder struct {
	Line   any `toml:"line"`
	LED    any `toml:"led"`
	Invert any `toml:"invert"`
	Tested any `toml:"tested"`
}

// keysOf lists the toml names of a raw struct.
func keysOf(t reflect.Type) []string {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return nil
	}
	var out []string
	for f := range t.Fields() {
		out = append(out, f.Tag.Get("toml"))
	}
	return out
}

// suggest names the key somebody probably meant: the nearest in the same table, else the
// same key in another table.
func suggest(raw any, key []string) string {
	root := reflect.TypeOf(raw).Elem()
	tables := keysOf(root)
	last := key[len(key)-1]
	if len(key) == 1 || !slices.Contains(tables, key[0]) {
		if near := nearest(key[0], tables); near != "" {
			return "[" + near + "]"
		}
	} else if near := nearest(last, keysOf(tableType(root, key[0]))); near != "" {
		return near
	}
	for _, t := range tables {
		if slices.Contains(keysOf(tableType(root, t)), last) {
			return last + " in [" + t + "]"
		}
	}
	return ""
}

func tableType(root reflect.Type, name string) reflect.Type {
	for f := range root.Fields() {
		if f.Tag.Get("toml") == name {
			return f.Type
		}
	}
	return root
}

// nearest is the candidate within about a third of the word in edits, or "".
func nearest(word string, candidates []string) string {
	best, bestDist := "", (len(word)+2)/3+1
	for _, c := range candidates {
		if strings.HasPrefix(c, word) && len(word) >= 3 {
			return c
		}
		if d := edits(word, c); d < bestDist {
			best, bestDist = c, d
		}
	}
	return best
}

// edits is the Levenshtein distance (Levenshtein 1966).
func edits(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diag, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diag+cost)
		}
	}
	return row[len(b)]
}
