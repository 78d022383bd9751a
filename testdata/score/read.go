// Package score holds what the binary printed about a recorded van against what really
// happened in it. It reads the stable outputs of "frostline replay" and the truth that came
// with the recording; it imports nothing of frostline, so it cannot share a mistake with it.
//
// All times are true UTC. A tick's is the true start of its boot plus its up_s: the wall
// labels of a recording may be hours wrong and are never used to find a moment.
package score

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// Van is what its owner knows, as far as scoring needs it.
type Van struct {
	Name       string
	Start      time.Time
	UTCOffsetH float64 `json:"utc_offset_h"`
	Scale      struct {
		Grade        string
		RecordEveryS float64 `json:"record_every_s"` // length of a tick
	}
	Fuel struct {
		NetHeatingMJPerKg float64 `json:"net_heating_value_mj_per_kg"`
	}
	Appliances []Appliance
	Inputs     struct{ HeatCall *string }
}

// Appliance is one of the van's. Kind is "heater" or "burner".
type Appliance struct {
	Name    string
	Kind    string
	RatedKW float64 `json:"rated_kw"`
}

// Cheap tells the cheap load cell from the good one.
func (v *Van) Cheap() bool { return v.Scale.Grade == "cheap" }

// HeatDemand tells whether the thermostat's call for heat is wired.
func (v *Van) HeatDemand() bool { return v.Inputs.HeatCall != nil }

// plateKgPerH is what the heaters burn by their plates.
func (v *Van) plateKgPerH() float64 {
	sum := 0.0
	for _, a := range v.Appliances {
		if a.Kind == "heater" {
			sum += v.kgPerH(a.RatedKW)
		}
	}
	return sum
}

func (v *Van) kgPerH(kW float64) float64 { return kW * 3.6 / v.Fuel.NetHeatingMJPerKg }

// Minute is the truth of the minute that ends at At: levels are those at its end, rates its
// means.
type Minute struct {
	At           time.Time
	FuelKg       float64
	OutKgPerH    float64 // all that leaves the cylinder: appliances and leak
	HeaterKgPerH float64
	StoveKgPerH  float64
	LeakKgPerH   float64
	HeaterFrac   float64 // share of the minute the heater was lit
	LiquidC      float64
	WindMPerS    float64
	GasPpm       float64 // fuel vapour at the floor
	Present      bool
	Moving       bool
	Cylinder     int // counts the cylinders and fillings, from 0
}

// Happened is something that happened, at true time.
type Happened struct {
	At     time.Time
	Kind   string
	Detail string
}

// Row is one row of the estimates at true time. What is unknown is NaN.
type Row struct {
	At                               time.Time
	FuelKg, FuelLowKg, FuelHighKg    float64
	BurnKgPerH                       float64
	HeaterKgPerH                     float64
	SplitHeaterKgPerH                float64 // of the split by appliance
	SplitBurnersKgPerH               float64
	LiquidC, LiquidLowC, LiquidHighC float64
	Band                             string
}

// Event is one line of the events at true time. From and To are states of an alarm, or the
// wall labels of a night.
type Event struct {
	At             time.Time `json:"-"`
	UpS            float64   `json:"up_s"`
	Kind           string
	ID             string
	From, To       string
	Guess          string
	BurnedKg       *float64 `json:"burned_kg"`
	ForecastKg     *float64 `json:"forecast_kg"`
	ForecastLowKg  *float64 `json:"forecast_low_kg"`
	ForecastHighKg *float64 `json:"forecast_high_kg"`
}

// Recording is one van: the truth, and what the binary printed.
type Recording struct {
	Van     Van
	Minutes []Minute
	Truth   []Happened
	Rows    []Row
	Events  []Event
}

// Read takes a recorded van (van.json, truth.csv and events.csv, not compressed) and what
// "replay --estimates --events" printed of it.
func Read(van, truth, happened, estimates, events io.Reader) (*Recording, error) {
	var r Recording
	if err := json.NewDecoder(van).Decode(&r.Van); err != nil {
		return nil, fmt.Errorf("van: %w", err)
	}
	if r.Van.Fuel.NetHeatingMJPerKg <= 0 {
		return nil, errors.New("van: no heating value of its fuel")
	}
	if err := r.readHappened(happened); err != nil {
		return nil, fmt.Errorf("events of the truth: %w", err)
	}
	if err := r.readTruth(truth); err != nil {
		return nil, fmt.Errorf("truth: %w", err)
	}
	starts := []time.Time{r.Van.Start}
	for _, h := range r.Truth {
		if h.Kind == "power_on" {
			starts = append(starts, h.At)
		}
	}
	if err := r.readEstimates(estimates, starts); err != nil {
		return nil, fmt.Errorf("estimates: %w", err)
	}
	if err := r.readEvents(events, starts); err != nil {
		return nil, fmt.Errorf("events: %w", err)
	}
	return &r, nil
}

// table calls each with every row of a CSV; cell finds a cell by its column's name.
func table(in io.Reader, each func(cell func(name string) string) error) error {
	c := csv.NewReader(in)
	c.ReuseRecord = true
	head, err := c.Read()
	if err != nil {
		return err
	}
	column := make(map[string]int, len(head))
	for i, name := range head {
		column[strings.Clone(name)] = i
	}
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		missing := ""
		err = each(func(name string) string {
			i, ok := column[name]
			if !ok {
				missing = name
				return ""
			}
			return row[i]
		})
		if missing != "" {
			return fmt.Errorf("no column %q", missing)
		}
		if err != nil {
			line, _ := c.FieldPos(0)
			return fmt.Errorf("line %d: %w", line, err)
		}
	}
}

// numbers reads cells and keeps the first error; an empty cell is NaN.
type numbers struct{ err error }

func (n *numbers) of(cell string) float64 {
	if cell == "" {
		return math.NaN()
	}
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil && n.err == nil {
		n.err = err
	}
	return v
}

func (r *Recording) readHappened(in io.Reader) error {
	return table(in, func(cell func(string) string) error {
		at, err := time.Parse(time.RFC3339, cell("time"))
		r.Truth = append(r.Truth, Happened{at, strings.Clone(cell("kind")), strings.Clone(cell("detail"))})
		return err
	})
}

func (r *Recording) readTruth(in io.Reader) error {
	return table(in, func(cell func(string) string) error {
		at, err := time.Parse(time.RFC3339, cell("time"))
		if err != nil {
			return err
		}
		var n numbers
		m := Minute{At: at, FuelKg: n.of(cell("fuel_kg")), LeakKgPerH: n.of(cell("leak_kg_h")),
			HeaterFrac: n.of(cell("heater_on")), StoveKgPerH: r.Van.kgPerH(n.of(cell("stove_kw"))),
			LiquidC: n.of(cell("liquid_temp_c")), WindMPerS: n.of(cell("wind_m_s")), GasPpm: n.of(cell("gas_ppm")),
			Present: cell("cylinder_present") == "1", Moving: cell("moving") == "1"}
		burnt := n.of(cell("burn_kg_h")) // by appliances: the leak is in a column of its own
		m.OutKgPerH = burnt + m.LeakKgPerH
		m.HeaterKgPerH = max(0, burnt-m.StoveKgPerH)
		for _, h := range r.Truth {
			if (h.Kind == "swap" || h.Kind == "refill") && !h.At.After(at) {
				m.Cylinder++
			}
		}
		r.Minutes = append(r.Minutes, m)
		return n.err
	})
}

// boots turns up_s into true time. A boot begins where up_s falls.
type boots struct {
	starts []time.Time
	boot   int
	lastS  float64
}

func (b *boots) at(upS float64) (time.Time, error) {
	if upS < b.lastS {
		b.boot++
	}
	b.lastS = upS
	if b.boot >= len(b.starts) {
		return time.Time{}, fmt.Errorf("up_s falls to %g, and the truth knows of %d boots only", upS, len(b.starts))
	}
	return b.starts[b.boot].Add(time.Duration(math.Round(upS*1000)) * time.Millisecond), nil
}

// all says whether every boot was seen: one without a line of its own would have been taken
// for the one before.
func (b *boots) all() error {
	if b.boot+1 != len(b.starts) {
		return fmt.Errorf("%d boots seen, %d in the truth", b.boot+1, len(b.starts))
	}
	return nil
}

func (r *Recording) readEstimates(in io.Reader, starts []time.Time) error {
	clock := boots{starts: starts}
	err := table(in, func(cell func(string) string) error {
		var n numbers
		upS := n.of(cell("up_s"))
		if n.err != nil {
			return n.err
		}
		at, err := clock.at(upS)
		if err != nil {
			return err
		}
		row := Row{At: at, FuelKg: n.of(cell("fuel_kg")), FuelLowKg: n.of(cell("fuel_low_kg")), FuelHighKg: n.of(cell("fuel_high_kg")),
			BurnKgPerH: n.of(cell("burn_kg_h")), HeaterKgPerH: n.of(cell("heater_kg_h")),
			LiquidC: n.of(cell("liquid_c")), LiquidLowC: n.of(cell("liquid_low_c")), LiquidHighC: n.of(cell("liquid_high_c")),
			Band: strings.Clone(cell("gas_band"))}
		var split map[string]float64
		if err := json.Unmarshal([]byte(cell("appliances")), &split); err != nil {
			return fmt.Errorf("appliances: %w", err)
		}
		for _, a := range r.Van.Appliances {
			// The configurations write the names of van.json with a space.
			rate := split[strings.ReplaceAll(a.Name, "_", " ")]
			if a.Kind == "heater" {
				row.SplitHeaterKgPerH += rate
			} else {
				row.SplitBurnersKgPerH += rate
			}
		}
		r.Rows = append(r.Rows, row)
		return n.err
	})
	if err != nil {
		return err
	}
	return clock.all()
}

func (r *Recording) readEvents(in io.Reader, starts []time.Time) error {
	clock := boots{starts: starts}
	for lines := bufio.NewScanner(in); ; {
		if !lines.Scan() {
			if lines.Err() != nil {
				return lines.Err()
			}
			return clock.all()
		}
		var e Event
		err := json.Unmarshal(lines.Bytes(), &e)
		if err == nil {
			e.At, err = clock.at(e.UpS)
		}
		if err != nil {
			return fmt.Errorf("line %d: %w", len(r.Events)+1, err)
		}
		r.Events = append(r.Events, e)
	}
}
