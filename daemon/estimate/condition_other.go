package estimate

import "time"

// adcTopV is the widest range of the 16-bit I2C ADC (sensing.md 2.7): no code of it means
// more volts than this.
const adcTopV = 6.144

// stuckGasCodes equal codes in a row prove the gas ADC frozen (sensing.md 2.5).
const stuckGasCodes = 100

// stuckGasTime is the same for slow ticks: ten minutes without a single change of the
// last digit (sensing.md 2.5: a deviation under half a digit over 10 min).
const (
	stuckGasTime  = 10 * time.Minute
	stuckGasLeast = 20 // readings in that time
)

// judgeGas tests the divider's voltage as a number; what the voltage means, its rails
// included, is the gas watch's business: there a rail may be gas.
func judgeGas(c *channel, up time.Duration, v float64) verdict {
	run := &c.mem.Run
	switch {
	case v > c.topV || v < -0.1:
		return refuse("volts the input cannot have")
	case c.railV > 0 && v >= c.railV:
		return verdict{} // saturation holds the code still, and must stay an alarm
	case run.N > stuckGasCodes || run.N >= stuckGasLeast && run.lasted(up) >= stuckGasTime:
		return verdict{refused: true, atOnce: true, why: "stuck: the code does not change"}
	}
	return verdict{}
}

// judgeVolt tests a supply or battery voltage. Exactly nothing at the input is an open
// wire or a blown fuse; above 60 V no vehicle goes (load dump reaches 35 V and more,
// sensing.md 8).
const noVoltage = "no voltage at the input: wire open or fuse blown"

func judgeVolt(_ *channel, _ time.Duration, v float64) verdict {
	switch {
	case v < 0.5:
		return refuse(noVoltage)
	case v > 60:
		return refuse("volts no vehicle has")
	}
	return verdict{}
}

// Barometer limits (sensing.md 4.3). The pace is a fast drive down a pass.
const (
	baroLowKPa    = 60.0
	baroHighKPa   = 110.0
	baroFloorKPa  = 0.5
	baroKPaPerMin = 2.0
)

func judgeBaro(c *channel, up time.Duration, v float64) verdict {
	if v < baroLowKPa || v > baroHighKPa {
		return refuse("outside 60 to 110 kPa")
	}
	if w := c.tooFast(up, v, baroFloorKPa, baroKPaPerMin); w.why != "" {
		return w
	}
	c.mem.Past.take(up, v)
	if c.mem.Run.unlike(c.mem.Run.lasted(up)) {
		return doubt("unchanged far longer than it ever was")
	}
	return verdict{}
}

// humidityPinned at exactly 0 or 100 % is a fault (sensing.md 4.3).
const humidityPinned = 6 * time.Hour

// judgeHumidity tests relative humidity: the first two values after power-up are not
// measurements (sensing.md 4.1), and six hours at exactly 0 or 100 are a fault (4.3).
func judgeHumidity(c *channel, up time.Duration, v float64) verdict {
	run := c.mem.Run.lasted(up)
	switch {
	case v < 0 || v > 100:
		return refuse("outside 0 to 100 %")
	case c.mem.HeardN <= 2:
		return refuse("first values after power-up")
	case (v == 0 || v == 100) && run >= humidityPinned:
		return verdict{refused: true, atOnce: true, why: "6 h at the end of its range"}
	case c.mem.Run.unlike(run):
		return doubt("unchanged far longer than it ever was")
	}
	return verdict{}
}

func judgeSwitch(_ *channel, _ time.Duration, v float64) verdict {
	if v != 0 && v != 1 {
		return refuse("neither 0 nor 1")
	}
	return verdict{}
}

// judgeHealth tests the program's own counts, ages and sizes.
func judgeHealth(_ *channel, _ time.Duration, v float64) verdict {
	if v < 0 {
		return refuse("below zero")
	}
	return verdict{}
}
