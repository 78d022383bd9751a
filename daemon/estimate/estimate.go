// Package estimate turns readings into beliefs about the gas system: fuel left, burn,
// gas at the floor, which sensors can be believed.
//
// An [Estimator] is a state machine. It reads no clock, opens no file, starts no
// goroutine and logs nothing, so the same inputs in the same order give the same
// outputs and any recording is a test. Bad input is data, not an error: it lowers
// the [sensors.Quality] of everything that depended on it.
//
// A field holds the unit its name ends in. Pressures are absolute. No NaN or infinity
// leaves this package.
package estimate

import (
	"time"

	"frostline/daemon/supply"
	"frostline/sensors"
)

// Quantity is a belief about one number: the likeliest value and the interval that holds
// the truth 19 times in 20. The unit is in the name of the field that holds it. Unless
// Quality is Good or Suspect the three numbers mean nothing and Why says what is missing.
type Quantity struct {
	Value   float64         `json:"value"`
	Low     float64         `json:"low"`
	High    float64         `json:"high"`
	Quality sensors.Quality `json:"quality"`
	Why     string          `json:"why,omitempty"` // empty when Good
	At      time.Duration   `json:"-"`             // Up of the newest reading it rests on
}

// Known reports whether the numbers mean anything.
func (q Quantity) Known() bool { return q.Quality >= sensors.Suspect }

// Unknown is a quantity nothing can be said of, with the reason.
func Unknown(why string) Quantity { return Quantity{Quality: sensors.Missing, Why: why} }

// Params is what an owner knows of the van. The zero value of a part means "not fitted".
type Params struct {
	Scale      Scale
	Cylinder   Cylinder
	Appliances []Appliance
	Regulator  Regulator
	Gas        Gas
	AltitudeM  float64 // used for air pressure when no barometer is fitted
}

// Scale is the calibration of the load cell and the limits of its data sheet. The true
// temperature coefficients lie within the limits and are not known.
type Scale struct {
	CountsPerKg   float64 // slope at calibration; its sign is the wiring's
	ZeroCounts    float64 // empty cradle with hose, at CalibratedAtC
	CalibratedAtC float64
	CapacityKg    float64         // of the cell
	ZeroTCGPerK   float64         // limit of the temperature effect on zero, g/K
	SpanTCPPMPerK float64         // limit of the temperature effect on span, ppm/K
	CreepPct30min float64         // limit of creep in 30 min, % of load
	Thermometer   sensors.Channel // of the air about the cell; empty is locker_c
	RatedMVPerV   float64         // output of the cell at its capacity, by its data sheet; 0 means not said
	SpanSDFrac    float64         // one standard deviation of CountsPerKg as a fraction; 0 means a shop-weighed span
	ZeroSDKg      float64         // one standard deviation of the zero, kg
}

// Cylinder is what the collar says.
type Cylinder struct {
	TareKg          float64         // stamped tare; 0 means not entered
	TareSDKg        float64         // how far such stamps are off, one standard deviation
	CapacityKg      float64         // fill by the stamp; 0 means not entered
	PropaneMassFrac float64         // of the liquid when full; 0 means don't know
	Shape           supply.Cylinder // zero is guessed from the capacity
}

// ApplianceKind says how an appliance uses gas.
type ApplianceKind string

// The kinds of appliance told apart.
const (
	Heater      ApplianceKind = "heater"       // thermostat switches it on and off at one rate
	Burner      ApplianceKind = "burner"       // set by hand between its least and full input
	WaterHeater ApplianceKind = "water-heater" // thermostat switched, boosts of minutes
)

// Appliance is one user of gas, by its plate.
type Appliance struct {
	Name    string
	Kind    ApplianceKind
	RatedKW float64 // input on the net heating value
	MinKW   float64 // least input of a hand-set burner; 0 if it has none
}

// Gas is the floor sensor's divider and what is known of the sensor.
type Gas struct {
	SupplyV       float64 // nominal supply of the divider, used when gas_supply_v is not wired
	LoadOhm       float64
	CurveA        float64 // ratio = CurveA * ppm^CurveB; 0 takes the part class of sensing.md 2.1
	CurveB        float64
	CleanAirRatio float64 // Rs in clean air over R0, by the sheet
	R0Ohm         float64 // commissioned R0; 0 means provisional: clean air only
	TestMix       bool    // R0 came from a known test mix, so %LEL may be shown
}

// GasBand is what the floor sensor says, in words that never promise.
type GasBand string

// The bands of the floor sensor. Background is not "clear".
const (
	Blind      GasBand = "blind"      // warm-up, fault, stale: the certified alarm is the only watch
	Background GasBand = "background" // below trace
	Trace      GasBand = "trace"      // vapours of some kind
	Warning    GasBand = "warning"    // pre-warning
	Leave      GasBand = "leave"      // treat as gas: leave
)

// Presence says whether a cylinder stands on the scale.
type Presence string

// What the scale says of the cylinder.
const (
	PresenceUnknown Presence = "unknown"
	Present         Presence = "present"
	Removed         Presence = "removed"
)

// Change is what the operator says after changing a cylinder. Zero fields are unknown.
type Change struct {
	Same       bool    `json:"same,omitempty"`        // the same one came back
	TareKg     float64 `json:"tare_kg,omitempty"`     // stamped tare
	CapacityKg float64 `json:"capacity_kg,omitempty"` // fill by the stamp
	FillKg     float64 `json:"fill_kg,omitempty"`     // what the filler's label says is in it

	Name        string `json:"name,omitempty"`         // what the owner calls it; of one that was here before it brings back the tare
	RequalifyBy string `json:"requalify_by,omitempty"` // YYYY-MM on its collar; the filler decides
	Blend       Blend  `json:"blend,omitempty"`        // what is in it; empty is as configured
}

// WeightWatch is a slow loss of weight while every appliance is off. It cannot replace a
// tightness test.
type WeightWatch struct {
	Asked         bool     // the operator asked for it
	Quiet         bool     // nothing burns, so it is watching now
	LossGPerH     Quantity // fitted loss
	SmallestGPerH Quantity // smallest loss it can tell from none by now
	BlindForS     float64  // until the scale has settled after a drive or a change, seconds; nothing counts before
	NextInS       float64  // quiet time until it can tell less, seconds; 0 if it never will
	NextGPerH     Quantity // and what it can tell then at best, with the temperature at rest
	Suspected     bool
	Fast          bool   // it falls faster than every appliance together could burn
	Why           string // reason for Suspected, or why it is not watching
}

// ChannelState is what conditioning thinks of one channel, in the order of the wiring.
type ChannelState struct {
	Channel  sensors.Channel
	Quality  sensors.Quality
	Why      string        // empty when Good
	LastUp   time.Duration // Up of the last accepted reading
	Seen     bool          // whether there ever was one
	Value    float64       // last accepted raw value; means nothing unless Known
	ReadsN   uint64        // readings accepted since the first start
	RefusedN uint64        // faults and impossible values since the first start
}

// Estimates is everything believed after one tick. It is built anew each tick and never
// changed afterwards.
type Estimates struct {
	FuelKg       Quantity // in the cylinder, net
	GrossKg      Quantity // on the scale
	BurnKgPerH   Quantity // fuel leaving the cylinder
	HeaterKgPerH Quantity
	OtherKgPerH  Quantity
	Shares       []Share  // the likeliest split of the burn by appliance, configuration order
	BurnedKg     float64  // since the first start, never falls
	CapacityKg   Quantity // fill by the stamp
	StampSDKg    float64  // how far a stamped tare may be off, one standard deviation
	TareEntered  bool     // a person entered the tare of the cylinder now on the scale
	TareLearned  bool     // it was weighed when this cylinder had burned itself empty
	RequalifyBy  string   // YYYY-MM said of it, "" if nothing was
	CylinderName string   // what its owner calls it, "" if nothing
	Blend        Blend    // what a person said is in it, "" if nothing: then it is as configured
	LastWord     *Change  // about a change of cylinder, while it can be taken back; nil if it cannot
	UndoForS     float64  // and for how long; 0 if it cannot
	Known        []Known  // cylinders that were here before, by name; nil if none
	Overfilled   bool     // net is above the stamped fill beyond doubt

	LiquidTempC       Quantity
	CylinderKPa       Quantity  // absolute
	CylinderGaugeKPa  Quantity  // above the outside air
	VapourKgPerH      Quantity  // most the cylinder boils off for ever at the regulator's least inlet pressure
	SupplyRatio       Quantity  // VapourKgPerH over the burn
	Outlook           Outlook   // of the burn of the last hour
	ApplianceOutlooks []Outlook // of each at full input, in configuration order, and of all together
	TooMuch           []string  // the fewest appliances that at full input together burn more than VapourKgPerH; nil if none do
	SeatMarginK       Quantity  // if the fuel is wet; Low is the adiabatic bound
	Vessel            Vessel    // for a forecast to carry forward
	Freeze            Freeze
	AirKPa            Quantity

	Band           GasBand
	BandWhy        string        // the reason for the band, one sentence
	GasFault       string        // the fault behind Blind, empty if warm-up or none
	GasLevel       GasBand       // level the signal has reached now, without any delay, on either channel; Leave when saturated
	GasHold        GasBand       // highest level whose clear threshold has not been undershot since it was reached
	WarningForS    float64       // how long GasHold has been Warning or Leave, seconds
	FloorGasPctLEL Quantity      // unknown unless the sensor met a test mix
	GasSinceUp     time.Duration // Up when the band was entered
	WarmingUp      bool          // the gas sensor is within its warm-up
	WarmLeft       time.Duration

	CabinC   Quantity
	OutsideC Quantity
	LockerC  Quantity
	PipeC    Quantity // coldest water pipe
	BatteryV Quantity

	Cylinder     Presence
	Moving       bool
	Heat         Tristate // heat demand input
	HeatFrac     float64  // of the last hour in which it called, 0 to 1; as it calls now where little of that hour was seen
	Starved      Tristate // heat is called for and no gas is burning
	StarvedWhy   string   // causes, likeliest first
	Causes       []Cause  // the same with the evidence; empty unless Starved
	CauseTold    bool     // the first of them stands out; else nothing seen tells which it is
	Certified    Tristate // certified gas alarm input
	CO           Tristate // CO alarm input
	Watch        WeightWatch
	ClockTrusted bool
	ClockSet     *ClockSet // what a person set the clock to; nil while it is the board's own

	Calibration *Calibration // never nil, never changed
	LoadNow     Settled      // the raw load signal
	CellC       Quantity     // of the load cell: the air about it, through a lag

	Channels []ChannelState // order of the wiring
	Happened []Happening    // this tick only
}

// Tristate is yes, no or unknown.
type Tristate int8

// Unknown is the zero value, so nothing is denied by accident.
const (
	Unsure Tristate = 0
	No     Tristate = -1
	Yes    Tristate = 1
)

// Share is one appliance's part of the burn.
type Share struct {
	Name   string
	KgPerH float64
	Sure   bool // false when the rates cannot be told apart
}

// Happening is something that happened in one tick and is worth a line in the log of
// events. Only the fields its kind needs are set; kinds are those of product.md.
type Happening struct {
	Kind      string   `json:"kind"`
	Channel   string   `json:"channel,omitempty"`
	Quality   string   `json:"quality,omitempty"`
	Why       string   `json:"why,omitempty"`
	Appliance string   `json:"appliance,omitempty"`
	KgPerH    *float64 `json:"kg_h,omitempty"`
	NetKg     *float64 `json:"net_kg,omitempty"`
	NetLowKg  *float64 `json:"net_low_kg,omitempty"`
	NetHighKg *float64 `json:"net_high_kg,omitempty"`
	Guess     string   `json:"guess,omitempty"`
	Seconds   *float64 `json:"seconds,omitempty"`
}

// Kinds of happenings.
const (
	CylinderRemoved = "cylinder-removed"
	CylinderPlaced  = "cylinder-placed" // with NetKg, NetLowKg, NetHighKg and Guess: same, swapped, refilled
	BurnerOn        = "burner-on"       // with Appliance, KgPerH
	BurnerOff       = "burner-off"
	DriveStart      = "drive-start"
	DriveEnd        = "drive-end"
	ClockStep       = "clock-step" // with Seconds, and Why if a person set it
	SensorChanged   = "sensor"     // with Channel, Quality, Why
	Calibrated      = "calibrated" // with Channel and Why
)
