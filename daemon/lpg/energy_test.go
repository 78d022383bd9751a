package lpg

import (
	"math"
	"testing"

	"frostline/testdata/reference"
)

// Source: heating_values.csv, from ATcT 1.112 enthalpies of formation, and the limits
// of NFPA 497-2008 and IEC 60079-20-1:2010. Tolerance: print rounding.
func TestHeatingValuesAndFlammableLimits(t *testing.T) {
	gross, net := reference.Abs(t, "gross MJ/kg", 1e-9), reference.Abs(t, "net MJ/kg", 1e-9)
	grossFlow, netFlow := reference.Abs(t, "kg/h of 1 kW gross", 6e-6), reference.Abs(t, "kg/h of 1 kW net", 6e-6)
	grossKWh, netKWh := reference.Abs(t, "kWh/kg gross", 6e-4), reference.Abs(t, "kWh/kg net", 6e-4)
	btu := reference.Pct(t, "Btu/lb", 0.003)
	limits := reference.Abs(t, "flammable limit, percent by volume", 1e-12)
	fuels := map[string]Fuel{"propane": Pure(Propane), "n-butane": Pure(NButane), "isobutane": Pure(Isobutane)}
	for _, r := range reference.Rows(t, "heating_values.csv", 3) {
		f := fuels[r.Cell["fuel"]]
		substance := Propane
		if f.PropaneMassFrac() == 0 {
			substance = f.Butane()
		}
		if got := substances[substance].molarGPerMol; got != r.Num("molar_mass_g_mol") {
			t.Errorf("molar mass of %s: %g", r.Cell["fuel"], got)
		}
		for _, side := range []struct {
			basis                           Basis
			heat, flow, kWh                 *reference.Check
			column, perKW, perLb, kWhColumn string
		}{
			{Gross, gross, grossFlow, grossKWh, "HHV_MJ_kg", "kg_h_per_kW_HHV", "HHV_Btu_lb", "HHV_kWh_kg"},
			{Net, net, netFlow, netKWh, "LHV_MJ_kg", "kg_h_per_kW_LHV", "LHV_Btu_lb", "LHV_kWh_kg"},
		} {
			got, ok := f.HeatingMJPerKg(side.basis)
			side.heat.That(got, ok, r.Num(side.column))
			flow, ok := f.BurnKgPerH(1, side.basis)
			side.flow.That(flow, ok, r.Num(side.perKW))
			kW, ok := f.HeatKW(1, side.basis)
			side.kWh.That(kW, ok, r.Num(side.kWhColumn))
			btu.That(BTUPerH(kW)*0.45359237, ok, r.Num(side.perLb)) // kg in a pound
		}
		for _, side := range []struct {
			table        FlammableTable
			lower, upper string
		}{
			{NFPA497, "LFL_vol_percent_NFPA497", "UFL_vol_percent_NFPA497"},
			{IEC60079, "LFL_vol_percent_IEC60079", "UFL_vol_percent_IEC60079"},
		} {
			got, ok := f.LowerLimitPctVol(side.table)
			limits.That(got, ok, r.Num(side.lower), r.Cell["fuel"])
			got, ok = f.UpperLimitPctVol(side.table)
			limits.That(got, ok, r.Num(side.upper), r.Cell["fuel"])
		}
	}
}

// Le Chatelier: half propane, half n-butane by volume is 1/(0.5/1.7 + 0.5/1.4).
func TestFlammableLimitOfABlend(t *testing.T) {
	f, _ := BlendByMole(0.5, NButane)
	limit := reference.Abs(t, "lower limit, percent by volume", 1e-9)
	got, ok := f.LowerLimitPctVol(IEC60079)
	limit.That(got, ok, 1/(0.5/1.7+0.5/1.4))
}

// Source: energy_conversions.csv. Tolerance: its print rounding.
func TestEnergyConversions(t *testing.T) {
	gross, net := reference.Abs(t, "kg/h on gross", 6e-6), reference.Abs(t, "kg/h on net", 6e-6)
	grossKW, netKW := reference.Abs(t, "kW gross", 6e-5), reference.Abs(t, "kW net", 6e-5)
	btu := reference.Abs(t, "Btu/h", 0.51)
	for _, r := range reference.Rows(t, "energy_conversions.csv", 8) {
		f := blend(t, r.Num("propane_mass_fraction"), NButane)
		value := r.Num("value")
		switch r.Cell["unit"] {
		case "kg_h":
			got, ok := f.HeatKW(value, Gross)
			grossKW.That(got, ok, r.Num("kW_HHV"), value)
			btu.That(BTUPerH(got), ok, r.Num("Btu_h"), value)
			got, ok = f.HeatKW(value, Net)
			netKW.That(got, ok, r.Num("kW_LHV"), value)
			continue
		case "Btu_h":
			btu.That(BTUPerH(KWFromBTUPerH(value)), true, r.Num("Btu_h"), value)
			value = KWFromBTUPerH(value)
		case "kW":
			btu.That(BTUPerH(value), true, r.Num("Btu_h"), value)
		default:
			t.Fatalf("unit %q", r.Cell["unit"])
		}
		got, ok := f.BurnKgPerH(value, Gross)
		gross.That(got, ok, r.Num("kg_h_if_input_rated_on_HHV"), value)
		got, ok = f.BurnKgPerH(value, Net)
		net.That(got, ok, r.Num("kg_h_if_input_rated_on_LHV"), value)
	}
}

// Source: altitude.csv (ISO 2533; boiling points Lemmon, McLinden, Wagner 2009); 84.556
// kPa at 1500 m from physics.md section 2. A boiling point below -50 C is refused.
func TestAltitude(t *testing.T) {
	atm, ratio := reference.Pct(t, "atmosphere kPa", 0.0001), reference.Abs(t, "orifice ratio", 5.1e-5)
	boils, feeds := reference.Abs(t, "propane boiling point C", 0.006), reference.Abs(t, "liquid C for 75 kPa gauge", 0.006)
	propane := Pure(Propane)
	for _, r := range reference.Rows(t, "altitude.csv", 5) {
		m := r.Num("altitude_m")
		kPa, ok := AtmosphereKPa(m)
		atm.That(kPa, ok, r.Num("atmosphere_kPa_abs"), m)
		got, ok := OrificeRatio(kPa)
		ratio.That(got, ok, r.Num("orifice_mass_flow_factor_fixed_gauge_pressure"), m)
		got, ok = propane.BubbleC(kPa + 75)
		feeds.That(got, ok, r.Num("liquid_temp_for_75_kPa_gauge_C"), m)
		if want := r.Num("propane_boiling_point_C"); want > MinTempC {
			got, ok = propane.BubbleC(kPa)
			boils.That(got, ok, want, m)
		} else if got, ok = propane.BubbleC(kPa); ok {
			t.Errorf("boiling point at %g m: %g, want refused", m, got)
		}
	}
	kPa, ok := AtmosphereKPa(1500)
	atm.That(kPa, ok, 84.556)
}

// Converting there and back is no change: a slip of basis would be 8.6 %.
func TestConversionsInvert(t *testing.T) {
	f := blend(t, 0.7, Isobutane)
	for _, basis := range []Basis{Gross, Net} {
		for _, kW := range []float64{0, 0.1, 6, 1000} {
			burn, ok := f.BurnKgPerH(kW, basis)
			got, okBack := f.HeatKW(burn, basis)
			if !ok || !okBack || math.Abs(got-kW) > 1e-12*kW {
				t.Errorf("%g kW comes back as %g", kW, got)
			}
		}
	}
}
