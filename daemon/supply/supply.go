// Package supply models what stands between fuel in a cylinder and vapour at the
// regulator: the cylinder's shape, the heat it takes from the air of the locker, how
// much vapour that heat can make, and how the liquid cools while gas is drawn.
//
// It is pure: the same arguments give the same result. Temperatures are in C,
// pressures absolute in kPa unless the name says GaugeKPa, and the unit ends each name.
// A function returns its value and true, or 0 and false for arguments outside its range,
// NaN, or an unset fuel; it never extrapolates.
//
// The equations of the contents are exact; the heat from the air is an engineering
// estimate, +-30 %, until a cool-down after a draw has calibrated it. A number from here
// that must hold for one van needs that calibration.
package supply

// Film coefficient of the outside of a cylinder in the still air of a locker, natural
// convection and radiation together. Fresh frost or dew adds 1.7 to 3.5 of its own;
// centimetres of old frost take a tenth away. Own, from Churchill and Chu 1975 and an
// emissivity of 0.9: 7.9 at 10 K of difference, 8.6 at 20 K.
const (
	LeastFilmWPerM2K = 6.0
	FilmWPerM2K      = 8.5
	MostFilmWPerM2K  = 13.0
)

// A Cylinder is an upright vessel with two 2:1 semi-ellipsoidal heads, which is how
// LP-gas cylinders are made. All sizes are of the inside. The zero Cylinder is unknown,
// and every function of it refuses.
type Cylinder struct {
	DiameterM float64 // inside diameter, 0.05 to 2 m
	VolumeL   float64 // water capacity, more than the two heads hold
	WallM     float64 // thickness of the steel, 0.0005 to 0.02 m; 0.0026 is common
	WallJPerK float64 // heat capacity of the steel that the liquid cools; 3600 for a 20 lb shell
}

// Known reports whether the sizes make a cylinder: each within its range, and the
// volume enough for both heads.
func (c Cylinder) Known() bool {
	return within(c.DiameterM, 0.05, 2) && within(c.VolumeL, 2*c.headL(), 10000) &&
		within(c.WallM, 0.0005, 0.02) && within(c.WallJPerK, 0, 1e6)
}

// within is false for a NaN, which a pair of reversed comparisons would let through.
func within(v, low, high float64) bool { return v >= low && v <= high }
