package supply

import (
	"math"
	"testing"

	"frostline/testdata/reference"

	"frostline/daemon/lpg"
)

// vessel makes the cylinder of a table row; the wall of the tables is 2.6 mm.
func vessel(r reference.Row, volumeM3 string) Cylinder {
	r.T.Helper()
	c := Cylinder{DiameterM: r.Num("inside_diameter_m"), VolumeL: 1000 * r.Num(volumeM3), WallM: 0.0026}
	if !c.Known() {
		r.T.Fatalf("%+v is no cylinder", c)
	}
	return c
}

// litres returns the volume of the fuel as the tables count it, all of it liquid.
func litres(t *testing.T, kg, tempC float64) float64 {
	t.Helper()
	return reference.Must(t)(lpg.Pure(lpg.Propane).LiquidL(kg, tempC))
}

// Source: wetted_area.csv, exact geometry of 2:1 heads. Tolerance: print rounding.
func TestWettedArea(t *testing.T) {
	depth, wetted, full := reference.Abs(t, "depth m", 5.1e-5), reference.Abs(t, "wetted m2", 5.1e-5), reference.Abs(t, "percent full", 0.051)
	for _, r := range reference.Rows(t, "wetted_area.csv", 8) {
		c := vessel(r, "volume_m3")
		kg := r.Num("liquid_mass_kg")
		liquidL := litres(t, kg, r.Num("liquid_temp_C"))
		got, ok := c.DepthM(liquidL)
		depth.That(got, ok, r.Num("liquid_depth_m"), kg)
		got, ok = c.WettedM2(liquidL)
		wetted.That(got, ok, r.Num("wetted_area_m2"), kg)
		full.That(100*liquidL/c.VolumeL, true, r.Num("liquid_volume_percent"), kg)
	}
}

// Source: ua_model.csv. Tolerance: print rounding.
func TestConductanceAndCapacityOfRealCylinders(t *testing.T) {
	depth, wetted := reference.Abs(t, "depth m", 5.1e-5), reference.Abs(t, "wetted m2", 5.1e-5)
	fin, ua := reference.Abs(t, "fin m2", 5.1e-5), reference.Abs(t, "UA W/K", 5.1e-4)
	capacity := reference.Abs(t, "capacity kg/h", 5.1e-4)
	propane := lpg.Pure(lpg.Propane)
	limitC := reference.Must(t)(LimitC(propane, 101.325, 75))
	for _, r := range reference.Rows(t, "ua_model.csv", 7) {
		c := vessel(r, "volume_m3")
		c.WallM = r.Num("wall_m")
		kg, film := r.Num("liquid_kg"), r.Num("U_W_m2K")
		liquidL := litres(t, kg, r.Num("liquid_temp_C"))
		got, ok := c.DepthM(liquidL)
		depth.That(got, ok, r.Num("liquid_depth_m"), kg)
		got, ok = c.WettedM2(liquidL)
		wetted.That(got, ok, r.Num("wetted_area_m2"), kg)
		got, ok = c.FinM2(liquidL, film)
		fin.That(got, ok, r.Num("dry_wall_fin_area_m2"), kg)
		got, ok = c.UAWPerK(liquidL, film)
		ua.That(got, ok, r.Num("UA_W_K"), kg)
		got, ok = SteadyKgPerH(propane, got, r.Num("air_temp_C"), limitC)
		capacity.That(got, ok, r.Num("steady_capacity_kg_h_at_75_kPa_gauge"), kg)
	}
}

// Source: cylinder_steady_capacity.csv. Tolerance: print rounding, and 0.035 % of the
// latent heat.
func TestSteadyCapacity(t *testing.T) {
	limit, heat := reference.Abs(t, "limit C", 0.002), reference.Pct(t, "h_eff kJ/kg", 0.035)
	capacity, kW, btu := reference.Pct(t, "kg/h", 0.07), reference.Pct(t, "kW gross", 0.06), reference.Pct(t, "Btu/h", 0.04)
	propane := lpg.Pure(lpg.Propane)
	for _, r := range reference.Rows(t, "cylinder_steady_capacity.csv", 12) {
		ua, airC := r.Num("UA_W_K"), r.Num("air_temp_C")
		limitC, ok := LimitC(propane, r.Num("atmosphere_kPa_abs"), r.Num("required_cylinder_pressure_kPa_gauge"))
		limit.That(limitC, ok, r.Num("liquid_temp_at_limit_C"), ua, airC)
		got, ok := propane.WithdrawalKJPerKg(limitC)
		heat.That(got, ok, r.Num("h_eff_kJ_kg"), ua, airC)
		flow, ok := SteadyKgPerH(propane, ua, airC, limitC)
		capacity.That(flow, ok, r.Num("steady_capacity_kg_h"), ua, airC)
		got, ok = propane.HeatKW(flow, lpg.Gross)
		kW.That(got, ok, r.Num("steady_capacity_kW_HHV"), ua, airC)
		btu.That(lpg.BTUPerH(got), ok, r.Num("steady_capacity_Btu_h_HHV"), ua, airC)
	}
}

// The wetted area and the depth grow from nothing to the whole shell without a step
// where straight wall begins and ends, and the area is what the depth's own slope says.
func TestGeometryIsContinuous(t *testing.T) {
	c := Cylinder{DiameterM: 0.3054, VolumeL: 21.6, WallM: 0.0026}
	straightM := reference.Must(t)(c.StraightM())
	heightM := straightM + 2*c.HeadM()
	depth, wetted, fin := 0.0, 0.0, math.Inf(1)
	for i := 0; i <= 2160; i++ {
		liquidL := min(float64(i)*0.01, c.VolumeL)
		d, w := reference.Must(t)(c.DepthM(liquidL)), reference.Must(t)(c.WettedM2(liquidL))
		f := reference.Must(t)(c.FinM2(liquidL, FilmWPerM2K))
		if i > 0 && (d <= depth || w <= wetted || f > fin) {
			t.Fatalf("at %g L: depth %g after %g, wetted %g after %g, fin %g after %g", liquidL, d, depth, w, wetted, f, fin)
		}
		if i > 10 && i < 2150 && (d-depth > 0.0012 || w-wetted > 0.0012) {
			t.Fatalf("at %g L: a step to depth %g from %g, wetted %g from %g", liquidL, d, depth, w, wetted)
		}
		depth, wetted, fin = d, w, f
	}
	if math.Abs(depth-heightM) > 1e-9 {
		t.Errorf("a full cylinder is %g m deep, want %g", depth, heightM)
	}
	if want := 2*1.084*c.DiameterM*c.DiameterM + math.Pi*c.DiameterM*straightM; math.Abs(wetted-want) > 2e-5 {
		t.Errorf("a full cylinder wets %g m2, want %g (physics.md section 6.1)", wetted, want)
	}
	if fin > 1e-9 {
		t.Errorf("a full cylinder has %g m2 of fin, want none", fin)
	}
}

// A cap's volume by summing thin slices of the spheroid gives back the depth.
func TestDepthInTheHeadFitsItsVolume(t *testing.T) {
	c := Cylinder{DiameterM: 0.2948, VolumeL: 27.2, WallM: 0.0026}
	depth := reference.Abs(t, "depth m", 1e-6)
	b := c.HeadM()
	for _, h := range []float64{0.005, 0.02, 0.05, b} {
		volume := math.Pi * c.DiameterM * c.DiameterM / 4 * h * h * (3*b - h) / (3 * b * b)
		got, ok := c.DepthM(1000 * volume)
		depth.That(got, ok, h)
		got, ok = c.DepthM(c.VolumeL - 1000*volume) // the upper head is the lower one turned over
		depth.That(got, ok, reference.Must(t)(c.StraightM())+2*b-h, h)
	}
}
