package supply

import (
	"cmp"
	"math"
	"slices"
)

const (
	commonWallM = 0.0026 // of a welded steel shell; physics.md 6.1 computes with it
	// steelJPerKgK and the stamped tare give the heat of the steel that the liquid cools:
	// 3.6 kJ/K for the shell of a 20 lb cylinder (physics.md 6.3).
	steelJPerKgK = 456.0
	// fillFrac is the fill by the stamp over the water capacity, where only the fill is
	// known: 42 % by mass (WAC 296-307-41037, Table U-4).
	fillFrac = 0.42
	// tarePerFill is steel per fill of common sizes, for those whose tare is not known.
	tarePerFill = 0.9
)

// A Size is a cylinder that is sold widely. The stamp of the one at hand rules.
type Size struct {
	Name       string
	FillKg     float64 // nominal, of propane
	WaterL     float64 // water capacity
	OutsideMM  float64 // diameter
	TareKg     float64 // 0 where none is known
	FromMemory bool    // sizes that no source at hand confirms
}

// sizes are those of cylinders.csv whose dimensions are known there: DGUV Information
// 210-002 for the German ones, trade pages for 20 and 30 lb, the others from memory.
var sizes = [...]Size{
	{"us-5lb", 2.27, 5.40, 203, 3.3, true},
	{"us-10lb", 4.54, 10.81, 229, 5.9, true},
	{"us-11lb", 4.99, 11.90, 305, 5.7, true},
	{"us-20lb", 9.07, 21.61, 311, 7.9, false},
	{"us-30lb", 13.61, 32.42, 318, 11.3, false},
	{"us-40lb", 18.14, 43.23, 318, 13.6, true},
	{"us-100lb", 45.36, 108.11, 375, 31.3, true},
	{"us-420lb", 190.51, 454.05, 762, 127, true},
	{"de-3kg", 3, 7.10, 204, 0, false},
	{"de-5kg", 5, 11.75, 229, 0, false},
	{"de-11kg", 11, 27.20, 300, 0, false},
	{"de-33kg", 33, 79.00, 318, 0, false},
}

// Sizes returns the common sizes, the smallest first within each trade.
func Sizes() []Size { return slices.Clone(sizes[:]) }

// Named returns a common size by its name.
func Named(name string) (Size, bool) {
	i := slices.IndexFunc(sizes[:], func(s Size) bool { return s.Name == name })
	if i < 0 {
		return Size{}, false
	}
	return sizes[i], true
}

// Cylinder returns the size as a shape. Its heat capacity is that of the stamped tare.
func (s Size) Cylinder() Cylinder {
	tareKg := s.TareKg
	if tareKg == 0 {
		tareKg = tarePerFill * s.FillKg
	}
	return Cylinder{DiameterM: s.OutsideMM/1000 - 2*commonWallM, VolumeL: s.WaterL, WallM: commonWallM,
		WallJPerK: steelJPerKgK * tareKg}
}

// Guess returns the shape of a cylinder of which only the fill by its stamp is known: the
// nearest common size, scaled to hold just that. Range 0.4 to 200 kg. A guess: of common
// cylinders of about 5 kg the widest is a third wider than the slimmest, and the conductance
// differs by up to a fifth.
func Guess(fillKg float64) (Cylinder, bool) {
	if !within(fillKg, 0.4, 200) {
		return Cylinder{}, false
	}
	near := slices.MinFunc(sizes[:], func(a, b Size) int {
		return cmp.Compare(math.Abs(math.Log(a.FillKg/fillKg)), math.Abs(math.Log(b.FillKg/fillKg)))
	})
	c := near.Cylinder()
	scale := fillKg / fillFrac / c.VolumeL
	c.VolumeL *= scale
	c.WallJPerK *= scale
	c.DiameterM *= math.Cbrt(scale)
	return c, true
}

// Resized returns the cylinder with another water capacity and outside diameter, each 0 to
// keep; its steel grows with the water capacity. It refuses sizes that make no cylinder.
func (c Cylinder) Resized(waterL, outsideMM float64) (Cylinder, bool) {
	if waterL > 0 && c.VolumeL > 0 {
		c.WallJPerK *= waterL / c.VolumeL
		c.DiameterM *= math.Cbrt(waterL / c.VolumeL)
		c.VolumeL = waterL
	}
	if outsideMM > 0 {
		c.DiameterM = outsideMM/1000 - 2*c.WallM
	}
	if !c.Known() {
		return Cylinder{}, false
	}
	return c, true
}
