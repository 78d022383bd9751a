package supply

import (
	"math"

	"frostline/daemon/lpg"
)

// steelWPerMK is the thermal conductivity of carbon steel.
const steelWPerMK = 50.0

// HeadM returns the depth of one head, a quarter of the diameter.
func (c Cylinder) HeadM() float64 { return c.DiameterM / 4 }

// headL returns the volume of one head, pi D^3/24.
func (c Cylinder) headL() float64 {
	return 1000 * math.Pi * c.DiameterM * c.DiameterM * c.DiameterM / 24
}

// StraightM returns the length of the straight wall between the heads, from 0 up. Exact
// for the shape.
func (c Cylinder) StraightM() (float64, bool) {
	if !c.Known() {
		return 0, false
	}
	return c.straightM(), true
}

func (c Cylinder) straightM() float64 {
	return (c.VolumeL - 2*c.headL()) / 1000 / (math.Pi / 4 * c.DiameterM * c.DiameterM)
}

// DepthM returns how deep liquidL litres of liquid stand above the lowest point. Range 0
// to the water capacity. Exact for the shape; wetted_area.csv to its printed 0.1 mm.
func (c Cylinder) DepthM(liquidL float64) (float64, bool) {
	if !c.Known() || !within(liquidL, 0, c.VolumeL) {
		return 0, false
	}
	return c.depthM(liquidL), true
}

func (c Cylinder) depthM(liquidL float64) float64 {
	headL, headM := c.headL(), c.HeadM()
	switch {
	case liquidL < headL:
		return c.capDepthM(liquidL)
	case liquidL > c.VolumeL-headL: // what is dry is a cap, upside down
		return 2*headM + c.straightM() - c.capDepthM(c.VolumeL-liquidL)
	}
	return headM + (liquidL-headL)/1000/(math.Pi/4*c.DiameterM*c.DiameterM)
}

// capDepthM returns the depth h of a cap of a head, from its volume: the root of
// V = pi r^2 h^2 (3b-h)/(3b^2), which as a cubic in 1 - h/b has a closed form.
func (c Cylinder) capDepthM(capL float64) float64 {
	// 2/3 of r^2 pi b is a whole head, so share is 0 to 1 and the cosine -1 to 0.
	share := min(max(capL/c.headL(), 0), 1)
	u := 2 * math.Cos((2*math.Pi-math.Acos(share-1))/3)
	return c.HeadM() * (1 - u)
}

// WettedM2 returns the area of wall that liquidL litres of liquid touch, in m2. Range 0
// to the water capacity. Exact for the shape.
// Source: surface of an oblate spheroid by integration; own.
func (c Cylinder) WettedM2(liquidL float64) (float64, bool) {
	if !c.Known() || !within(liquidL, 0, c.VolumeL) {
		return 0, false
	}
	return c.wettedM2(c.depthM(liquidL)), true
}

func (c Cylinder) wettedM2(depthM float64) float64 {
	headM, straightM := c.HeadM(), c.straightM()
	lower := c.capM2(min(depthM, headM))
	side := math.Pi * c.DiameterM * min(max(depthM-headM, 0), straightM)
	dryM := 2*headM + straightM - depthM
	upper := c.capM2(headM) - c.capM2(min(dryM, headM))
	return lower + side + upper
}

// capM2 returns the curved area of a cap of depth 0 to a whole head. At the height z from
// the head's rim a ring has the area 2 pi r sqrt(1 + (kz)^2) dz with k = sqrt(3)/b.
func (c Cylinder) capM2(depthM float64) float64 {
	b := c.HeadM()
	k := math.Sqrt(3) / b
	integral := func(z float64) float64 {
		return (z*math.Sqrt(1+k*k*z*z) + math.Asinh(k*z)/k) / 2
	}
	return math.Pi * c.DiameterM * (integral(b) - integral(max(b-depthM, 0)))
}

// FinM2 returns the area that the dry wall above liquidL litres adds to the wetted area:
// steel conducts what it takes from the air down to the liquid, as a fin would. Range:
// liquid 0 to the water capacity, film coefficient filmWPerM2K 1 to 50 W/(m2 K).
//
// The dry wall is all of the straight part above the liquid and one head's depth, or
// what is left of the upper head. It is why capacity does not fall to zero at low fill.
// Source: own, the fin equation pi D tanh(m L)/m with m = sqrt(U/(k s)).
func (c Cylinder) FinM2(liquidL, filmWPerM2K float64) (float64, bool) {
	if !c.Known() || !within(liquidL, 0, c.VolumeL) || !within(filmWPerM2K, 1, 50) {
		return 0, false
	}
	return c.finM2(c.depthM(liquidL), filmWPerM2K), true
}

func (c Cylinder) finM2(depthM, filmWPerM2K float64) float64 {
	headM := c.HeadM()
	dryM := c.straightM() + 2*headM - max(depthM, headM)
	m := math.Sqrt(filmWPerM2K / (steelWPerMK * c.WallM))
	return math.Pi * c.DiameterM * math.Tanh(m*dryM) / m
}

// UAWPerK returns the heat that the cylinder takes from the air per kelvin of
// difference, W/K, with liquidL litres of liquid. Ranges as [Cylinder.FinM2]; use
// [FilmWPerM2K] unless a measured value is at hand. +-30 % in a closed locker.
func (c Cylinder) UAWPerK(liquidL, filmWPerM2K float64) (float64, bool) {
	if !c.Known() || !within(liquidL, 0, c.VolumeL) || !within(filmWPerM2K, 1, 50) {
		return 0, false
	}
	depthM := c.depthM(liquidL)
	return filmWPerM2K * (c.wettedM2(depthM) + c.finM2(depthM, filmWPerM2K)), true
}

// FinFrac returns the part of the heat from the air that comes through the dry wall, 0 to
// 1: the part of [Cylinder.UAOf] that is known least, since it rests on the thickness and
// conductivity of the steel and not on the wetted area. Ranges as there.
func (c Cylinder) FinFrac(f lpg.Fuel, now Contents, filmWPerM2K float64) (float64, bool) {
	liquidKg, _, ok := f.SplitKg(now.LiquidTempC, now.ContentsKg, c.VolumeL)
	if !ok || !within(filmWPerM2K, 1, 50) || !c.Known() {
		return 0, false
	}
	kgPerM3, ok := f.LiquidKgPerM3(now.LiquidTempC)
	if !ok || !within(1000*liquidKg/kgPerM3, 0, c.VolumeL) {
		return 0, false
	}
	depthM := c.depthM(1000 * liquidKg / kgPerM3)
	fin := c.finM2(depthM, filmWPerM2K)
	return fin / (c.wettedM2(depthM) + fin), true
}
