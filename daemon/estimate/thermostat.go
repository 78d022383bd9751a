package estimate

import "math"

// How the cabin tells when the heater is switched, and the heater from a burner. Engineering
// judgement.
const (
	switchedLeastN = 3.0  // flames before it is gone by
	switchedMostN  = 6.0  // and so many are remembered: a thermostat is turned down for the night
	switchedK      = 0.4  // least standard deviation of where it switches: hysteresis, thermometer, doors
	switchedOdds   = 3.0  // where it usually does, against knowing nothing of the cabin
	switchedSoonS  = 300  // and as long as it may take
	switchedFloor  = 0.33 // and far from it: somebody may have turned it
)

// thermostat is where the cabin is when the heater is lit and when it goes out, as flames have
// shown that burned at its rate.
type thermostat struct {
	Lit switchedAt `json:"lit"`
	Out switchedAt `json:"out"`
}

// switchedAt is the temperature of the cabin at a switch.
type switchedAt struct {
	N     float64 `json:"n"`
	MeanC float64 `json:"mean_c"`
	VarK2 float64 `json:"var_k2"`
}

// learn takes one more flame, if there was a thermometer.
func (t *switchedAt) learn(cabin Quantity) {
	if !cabin.Known() {
		return
	}
	t.N = min(t.N+1, switchedMostN)
	d := cabin.Value - t.MeanC
	t.MeanC += d / t.N
	t.VarK2 += (d*d*(1-1/t.N) - t.VarK2) / t.N
}

// sds is by how many standard deviations a cabin is warmer than where the switch is; ok is
// false as long as that is not known.
func (t *switchedAt) sds(cabin Quantity) (sds float64, ok bool) {
	if t.N < switchedLeastN || !cabin.Known() {
		return 0, false
	}
	return (cabin.Value - t.MeanC) / max(math.Sqrt(t.VarK2), switchedK), true
}

// lit are the odds that the heater is lit in such a cabin: high where it usually is and in the
// cold.
func (t *thermostat) lit(cabin Quantity) float64 {
	sds, ok := t.Lit.sds(cabin)
	if !ok {
		return 1
	}
	return max(switchedOdds*normalCDF(1-sds), switchedFloor)
}

// out are the odds that it goes out: high where it usually does and in the warm.
func (t *thermostat) out(cabin Quantity) float64 {
	sds, ok := t.Out.sds(cabin)
	if !ok {
		return 1
	}
	return max(switchedOdds*normalCDF(1+sds), switchedFloor)
}

// plausible reports whether such a thermostat can have been seen.
func (t *thermostat) plausible() bool {
	for _, s := range [...]*switchedAt{&t.Lit, &t.Out} {
		if !(s.N >= 0 && s.N <= switchedMostN && math.Abs(s.MeanC) <= mostCellC && s.VarK2 >= 0 && s.VarK2 <= mostCellC*mostCellC) {
			return false
		}
	}
	return true
}
