package estimate

import "math"

// How often appliances are lit and go out, as it is believed of a van nobody has watched.
// Engineering judgement.
const (
	alightS     = 900.0 // mean time that an appliance burns; how often it burns tells its pauses
	paceMemoryS = 2 * 3600.0
)

// pace is how often the heater is lit and goes out. A thermostat's cycle is some minutes or
// some hours, by the cold and the van, so that it is learned: flames and pauses of the last
// hours are counted, and one of ordinary length stands for what is not known.
type pace struct {
	LitN float64 `json:"lit_n"` // times it was lit
	OffS float64 `json:"off_s"` // in so many seconds of pauses
	OutN float64 `json:"out_n"` // times it went out
	LitS float64 `json:"lit_s"` // in so many seconds alight
}

// step follows the heater for a time in which it was alight or not; turned says whether it was
// lit or went out at the end of it.
func (p *pace) step(dtS float64, lit, turned bool) {
	keep := math.Exp(-dtS / paceMemoryS)
	p.LitN, p.OffS, p.OutN, p.LitS = keep*p.LitN, keep*p.OffS, keep*p.OutN, keep*p.LitS
	n, s := &p.LitN, &p.OffS
	if lit {
		n, s = &p.OutN, &p.LitS
	}
	*s += dtS
	if turned {
		*n++
	}
}

// perS are the chances in a second that it is lit and that it goes out.
func (p *pace) perS() (lit, out float64) {
	return (1 + p.LitN) / (pauseS(heaterOften) + p.OffS), (1 + p.OutN) / (alightS + p.LitS)
}

// pauseS is the mean pause of an appliance that is alight so much of the time.
func pauseS(often float64) float64 { return alightS * (1 - often) / often }

// plausible reports whether a pace can have been counted.
func (p *pace) plausible() bool {
	for _, v := range [...]float64{p.LitN, p.OffS, p.OutN, p.LitS} {
		if !(v >= 0 && v <= 2*paceMemoryS) {
			return false
		}
	}
	return true
}
