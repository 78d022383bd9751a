package supply

import (
	"math"
	"slices"
	"strings"
	"testing"

	"frostline/testdata/reference"

	"frostline/daemon/lpg"
)

// Source: cylinders.csv, each row that knows its dimensions, and no size besides. What the
// table holds from memory is marked so.
func TestCommonSizesAreThoseOfTheTable(t *testing.T) {
	exact := reference.Abs(t, "a size", 1e-12)
	seen := 0
	for _, r := range reference.Rows(t, "cylinders.csv", 14) {
		if r.Cell["volume_l"] == "" {
			continue
		}
		seen++
		trade, rest, _ := strings.Cut(r.Cell["id"], "_")
		name := map[string]string{"us": "us-", "eu": "de-"}[trade] + rest
		s, ok := Named(name)
		exact.That(s.WaterL, ok, r.Num("volume_l"), name)
		exact.That(s.OutsideMM, ok, r.Num("outside_diameter_mm"), name)
		exact.That(s.FillKg, ok, r.Num("nominal_fill_kg"), name)
		if r.Cell["tare_kg"] != "" {
			exact.That(s.TareKg, ok, r.Num("tare_kg"), name)
		} else if s.TareKg != 0 {
			t.Errorf("%s has a tare of %g kg that the table does not have", name, s.TareKg)
		}
		if got, want := s.FromMemory, !strings.HasPrefix(r.Cell["status"], "found"); got != want {
			t.Errorf("%s, %q: from memory is %v, want %v", name, r.Cell["status"], got, want)
		}
	}
	if len(Sizes()) != seen || seen != 12 {
		t.Errorf("%d sizes and %d rows with dimensions, want 12", len(Sizes()), seen)
	}
}

// The shape of each size holds its nominal fill at 20 C with vapour above, has about the
// shell of the table (model of a 2:1 head), and steel for its tare.
func TestEachSizeIsACylinderThatHoldsItsFill(t *testing.T) {
	shell := map[string]float64{}
	for _, r := range reference.Rows(t, "cylinders.csv", 14) {
		if r.Cell["shell_area_m2_model"] != "" {
			shell[strings.NewReplacer("us_", "us-", "eu_", "de-").Replace(r.Cell["id"])] = r.Num("shell_area_m2_model")
		}
	}
	area := reference.Pct(t, "shell m2", 0.25)
	var names []string
	for _, s := range Sizes() {
		c := s.Cylinder()
		if !c.Known() || slices.Contains(names, s.Name) {
			t.Errorf("%s is no cylinder, or is there twice: %+v", s.Name, c)
		}
		names = append(names, s.Name)
		got, ok := c.WettedM2(c.VolumeL)
		area.That(got, ok, shell[s.Name], s.Name)
		if pct, ok := lpg.Pure(lpg.Propane).LiquidPct(s.FillKg, 20, c.VolumeL); !ok || pct < 79 || pct > 86 {
			t.Errorf("%s is %g %% liquid at 20 C, want 79 to 86", s.Name, pct)
		}
		if perKg := c.WallJPerK / s.FillKg; perKg < 250 || perKg > 700 {
			t.Errorf("%s has %g J/K of steel for each kilogram of fill, want 250 to 700", s.Name, perKg)
		}
	}
	// physics.md 6.3: 3.6 kJ/K for a 20 lb shell.
	if s, ok := Named("us-20lb"); !ok || math.Abs(s.Cylinder().WallJPerK-3600) > 5 {
		t.Errorf("a 20 lb shell takes %g J/K, want 3600", s.Cylinder().WallJPerK)
	}
}

// The sizes of the package cannot be changed from outside, and no name makes one up.
func TestSizesAreTheirOwn(t *testing.T) {
	Sizes()[0].FillKg = 99
	if Sizes()[0].FillKg == 99 {
		t.Error("the caller changed the sizes")
	}
	for _, name := range []string{"", "us-21lb", "US-20LB"} {
		if s, ok := Named(name); ok || s != (Size{}) {
			t.Errorf("%q is a size: %+v", name, s)
		}
	}
}

// Of a cylinder with only its fill stamped the guess is nearly the common size of that fill,
// but another shape of the same fill, as the three of about 5 kg, may be a fifth off.
func TestAGuessIsNearTheRealCylinder(t *testing.T) {
	off := reference.Pct(t, "conductance of the guess W/K", 1)
	other := reference.Pct(t, "conductance of the guess beside another shape W/K", 20)
	fives := []string{"us-10lb", "us-11lb", "de-5kg"}
	volume := reference.Pct(t, "water capacity of the guess L", 4)
	for _, s := range Sizes() {
		guess, ok := Guess(s.FillKg)
		if !ok || !guess.Known() {
			t.Fatalf("%s: no guess", s.Name)
		}
		volume.That(guess.VolumeL, true, s.WaterL, s.Name)
		for _, part := range []float64{0.2, 0.5, 0.8} {
			got, ok := guess.UAOf(lpg.Pure(lpg.Propane), Contents{part * s.FillKg, -10}, FilmWPerM2K)
			want := reference.Must(t)(s.Cylinder().UAOf(lpg.Pure(lpg.Propane), Contents{part * s.FillKg, -10}, FilmWPerM2K))
			off.That(got, ok, want, s.Name, part)
			if !slices.Contains(fives, s.Name) {
				continue
			}
			for _, name := range fives {
				real, _ := Named(name)
				want := reference.Must(t)(real.Cylinder().UAOf(lpg.Pure(lpg.Propane), Contents{part * real.FillKg, -10}, FilmWPerM2K))
				other.That(got, ok, want, s.Name, name, part)
			}
		}
	}
}

// Over the whole range a guess is a cylinder that holds its fill by the stamp, 42 % of the
// water by mass, and more fill is more room and more steel; nothing is guessed beyond it.
func TestAGuessHoldsItsFill(t *testing.T) {
	held := reference.Pct(t, "fill over water capacity", 1e-9)
	before := Cylinder{}
	for kg := 0.4; kg <= 200; kg *= 1.02 {
		c, ok := Guess(kg)
		if !ok || !c.Known() {
			t.Fatalf("%g kg: %+v %v, want a cylinder", kg, c, ok)
		}
		held.That(kg/c.VolumeL, true, fillFrac, kg)
		if c.VolumeL <= before.VolumeL {
			t.Errorf("%g kg: %g L after %g", kg, c.VolumeL, before.VolumeL)
		}
		before = c
	}
	for _, kg := range []float64{0, 0.39, 200.1, -1, math.NaN(), math.Inf(1)} {
		if c, ok := Guess(kg); ok || c != (Cylinder{}) {
			t.Errorf("a fill of %g kg: %+v, want refused", kg, c)
		}
	}
}
