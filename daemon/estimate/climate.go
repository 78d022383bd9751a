package estimate

import (
	"math"

	"frostline/sensors"
)

// Half widths of 95 % intervals of ordinary sensors.
const (
	thermometerK   = 0.5  // digital 1-wire and I2C thermometers, -10 to 85 C, from memory of their sheets
	doubtedK       = 3.0  // of a Suspect one: a minute of the fastest air (sensing.md 4.3)
	barometerKPa   = 0.2  // small absolute barometers, common practice, no source
	doubtedKPa     = 2.0  // of a Suspect one
	weatherKPa     = 3.0  // weather about the standard atmosphere: 1.5 kPa twice, common practice, no source
	batteryV       = 0.15 // a 1 % divider at 13 V and the ADC's gain
	doubtedBattery = 1.0
)

// indexes are the places of the channels in the wiring, -1 for those the van has not.
type indexes struct {
	load, gas, gasSupply, gasHeater                int
	cabin, outside, locker, pipe, shell, regulator int
	baro, humidity, heat, ignition                 int
	certified, co, battery, synced                 int
}

func newIndexes(w sensors.Wiring) indexes {
	return indexes{
		load: w.Index(sensors.LoadCounts), gas: w.Index(sensors.GasV),
		gasSupply: w.Index(sensors.GasSupplyV), gasHeater: w.Index(sensors.GasHeaterV),
		cabin: w.Index(sensors.CabinC), outside: w.Index(sensors.OutsideC),
		locker: w.Index(sensors.LockerC), pipe: w.Index(sensors.WaterlineC),
		shell: w.Index(sensors.ShellC), regulator: w.Index(sensors.RegulatorC),
		baro: w.Index(sensors.BaroKPa), humidity: w.Index(sensors.HumidityPct),
		heat: w.Index(sensors.HeatCall), ignition: w.Index(sensors.Ignition),
		certified: w.Index(sensors.CertifiedAlarm), co: w.Index(sensors.COAlarm),
		battery: w.Index(sensors.BatteryV), synced: w.Index(sensors.ClockSynced),
	}
}

// fillClimate fills what is read rather than inferred: temperatures, air pressure, battery
// and the digital inputs. altitudeM stands in for a barometer.
func fillClimate(ix indexes, altitudeM float64, state []ChannelState, out *Estimates) {
	out.CabinC = asRead(ix.cabin, state, thermometerK, doubtedK)
	out.OutsideC = asRead(ix.outside, state, thermometerK, doubtedK)
	out.LockerC = asRead(ix.locker, state, thermometerK, doubtedK)
	out.PipeC = asRead(ix.pipe, state, thermometerK, doubtedK)
	out.BatteryV = asRead(ix.battery, state, batteryV, doubtedBattery)
	out.AirKPa = airKPa(ix, altitudeM, state)
	out.Heat = contact(ix.heat, state)
	out.Certified = contact(ix.certified, state)
	out.CO = contact(ix.co, state)
}

// asRead is a channel as a quantity: the sensor's own accuracy while it is Good, a wider
// interval while it is Suspect, and otherwise unknown with the channel's reason.
func asRead(i int, state []ChannelState, half, doubted float64) Quantity {
	if i < 0 {
		return Unknown("not fitted")
	}
	s := &state[i]
	switch s.Quality {
	case sensors.Good:
	case sensors.Suspect:
		half = doubted
	default:
		q := Unknown(s.Why)
		q.Quality, q.At = s.Quality, s.LastUp
		return q
	}
	return Quantity{
		Value: s.Value, Low: s.Value - half, High: s.Value + half,
		Quality: s.Quality, Why: s.Why, At: s.LastUp,
	}
}

// airKPa is the barometer, or the standard atmosphere at the altitude of the
// configuration: 101.325 kPa (1 - 2.25577e-5 h)^5.25588, ISO 2533, to 11 000 m. That is a
// Suspect number, because the van drives and the weather is not known.
func airKPa(ix indexes, altitudeM float64, state []ChannelState) Quantity {
	q := asRead(ix.baro, state, barometerKPa, doubtedKPa)
	if q.Known() {
		return q
	}
	h := min(max(altitudeM, -430), 6000) // no road leads outside these
	kpa := 101.325 * math.Pow(1-2.25577e-5*h, 5.25588)
	return Quantity{
		Value: kpa, Low: kpa - weatherKPa, High: kpa + weatherKPa,
		Quality: sensors.Suspect, Why: "from the altitude in the configuration, for want of a barometer",
	}
}

// contact is a digital input. A doubtful 1 still counts, because someone may have to
// wake; a doubtful 0 does not, because a loose wire reads 0.
func contact(i int, state []ChannelState) Tristate {
	if i < 0 || state[i].Quality < sensors.Suspect {
		return Unsure
	}
	switch {
	case state[i].Value == 1:
		return Yes
	case state[i].Quality == sensors.Good:
		return No
	}
	return Unsure
}
