package core

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"testing"
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/daemon/nights"
	"frostline/sensors"
	"frostline/sensors/sim"
	"frostline/testdata/scenarios"
)

// simParams is what the owner of a simulated van would configure.
func simParams(v *sim.Van) Params {
	o := v.Owner()
	p := Params{Wiring: v.Wiring(), Setpoints: alerts.Defaults()}
	p.Estimate = estimate.Params{AltitudeM: o.AltitudeM,
		Scale: estimate.Scale{CountsPerKg: o.CountsPerKg, ZeroCounts: o.ZeroCounts, CalibratedAtC: o.CalibratedAtC,
			CapacityKg: o.CapacityKg, ZeroTCGPerK: o.ZeroTCGPerK, SpanTCPPMPerK: o.SpanTCPPMPerK, CreepPct30min: o.CreepPct30min},
		Cylinder: estimate.Cylinder{TareKg: o.StampedTareKg, TareSDKg: o.TareSDKg, CapacityKg: o.CylinderKg, PropaneMassFrac: 1},
		Gas:      estimate.Gas{SupplyV: o.GasSupplyV, LoadOhm: o.GasLoadOhm, R0Ohm: o.GasR0Ohm, TestMix: o.GasR0Ohm > 0}}
	for _, a := range o.Appliances {
		p.Estimate.Appliances = append(p.Estimate.Appliances, estimate.Appliance{Name: a.Name,
			Kind: estimate.ApplianceKind(a.Kind), RatedKW: a.KW, MinKW: a.MinKW})
		if a.Kind == "heater" {
			kg, _ := lpg.Pure(lpg.Propane).BurnKgPerH(a.KW, lpg.Net)
			p.Nights.HeaterKgPerH += kg
		}
	}
	p.Nights.Zone = time.FixedZone("van", int(o.UTCOffsetH*3600))
	p.Setpoints.Zone = p.Nights.Zone
	p.Nights.StartMin, p.Nights.EndMin = 18*60, 10*60
	p.Nights.DriftKgPerK = o.ZeroTCGPerK / 1000
	return p
}

// orderOf is an act of the scenario's owner in the words of the core.
func orderOf(a sim.Act) *Command {
	c := &Command{Actor: "owner"}
	switch a.Do {
	case sim.ActAck:
		c.Ack = a.Alarm
	case sim.ActAckAudible:
		c.AckAudible = true
	case sim.ActReset:
		c.Reset = a.Alarm
	case sim.ActChanged:
		c.Changed = &estimate.Change{TareKg: a.TareKg, CapacityKg: a.CapacityKg, FillKg: a.FillKg}
	case sim.ActSameCylinder:
		c.Changed = &estimate.Change{Same: true}
	case sim.ActExpectedLow:
		c.ExpectedLow = &ExpectedLow{C: a.C}
	case sim.ActWeightWatch:
		on := a.On
		c.WeightWatch = &on
	}
	return c
}

// live plays a scenario through a core; see is called after each tick.
func live(t testing.TB, name string, see func(in Input, s *Snapshot, truth func() sim.Truth)) {
	t.Helper()
	text, err := scenarios.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	sc, err := sim.Load(text, name)
	if err != nil {
		t.Fatal(err)
	}
	v := sim.New(sc, 0)
	c := New(simParams(v))
	acts := v.Operator()
	in := Input{Readings: make([]sensors.Reading, len(v.Wiring()))}
	for {
		clear(in.Readings)
		st, err := v.Read(context.Background(), in.Readings)
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		in.Stamp, in.Boot, in.Command = st, v.Boot(), nil
		if len(acts) > 0 && acts[0].At <= v.Elapsed() {
			in.Command, acts = orderOf(acts[0]), acts[1:]
		}
		see(in, c.Step(in), v.Truth)
	}
}

func TestLook(t *testing.T) {
	for _, name := range scenarios.Names() {
		if name == "fortnight" {
			continue
		}
		start := time.Now()
		var last *Snapshot
		var truth sim.Truth
		n := 0
		live(t, name, func(_ Input, s *Snapshot, tr func() sim.Truth) {
			for _, e := range s.Events {
				if e.Alarm == nil && e.Happening != nil && (e.Happening.Kind == estimate.BurnerOn || e.Happening.Kind == estimate.BurnerOff) {
					continue
				}
				b, err := json.Marshal(e)
				if err != nil {
					t.Fatal(err)
				}
				t.Logf("%s", b)
			}
			last, n = s, n+1
			if n%600 == 0 {
				truth = tr()
			}
		})
		t.Logf("== %s: %d ticks in %v; fuel %.3f [%.3f %.3f] truth %.3f burned %.3f truth %.3f; %q %q", name, n, time.Since(start), last.Est.FuelKg.Value, last.Est.FuelKg.Low, last.Est.FuelKg.High, truth.FuelKg, last.Est.BurnedKg, truth.BurnedKg, last.Tonight.Verdict, last.Tonight.Facts)
	}
}

var _ = nights.Params{}
