// Package nights keeps the ledger of nights and says how many are left in the cylinder.
//
// A night is the configured evening-to-morning window in the van's time zone; its fuel,
// lows and gaps are one row of the ledger. Like everything below the edges it reads no
// clock: local time comes from the wall label of the tick and a [time.Location] given in
// [Params], and it tolerates a label that jumps.
package nights

import (
	"time"

	"frostline/daemon/estimate"
)

// Params is the window that makes a night, and what the van burns at its most.
type Params struct {
	Zone         *time.Location // nil is UTC
	StartMin     int            // minutes after local midnight, default 18:00
	EndMin       int            // minutes after local midnight, default 10:00
	HeaterKgPerH float64        // full input of every heater together; 0 if there is none
	DriftKgPerK  float64        // 95 % limit of the scale's temperature effect, for the interval of a night's fuel
	Seed         uint64         // of the nights a forecast tries; the same seed, the same forecast. 0 is as good as any

	PropaneMassFrac      float64  // of the liquid, for its energy; 0 is not known
	HeaterEfficiencyFrac float64  // on the net heating value, by its maker or a flue test; 0 is not known
	Heaters              []string // names of the appliances that heat
	Loads                []Load   // electricity that a night draws
}

// Load is a user of electricity whose draw is known and not measured. One of DrawA and DrawW
// is set.
type Load struct {
	Name       string
	DrawA      float64 // whatever the voltage, as a valve
	DrawW      float64 // whatever the voltage, as a converter
	NominalV   float64 // where the battery's voltage is not known; more than 0
	WithHeater bool    // only while the heater burns; else all night
}

// LoadUse is what a load drew in the hours that were lived, not in a gap.
type LoadUse struct {
	Name     string  `json:"name"`
	EnergyWh float64 `json:"wh"`
	ChargeAh float64 `json:"ah"`
}

// ApplianceUse is what an appliance burned, by the likeliest split.
type ApplianceUse struct {
	Name string  `json:"name"`
	Kg   float64 `json:"kg"`
}

// Night is one row of the ledger. Absent numbers are unknown, never zero.
type Night struct {
	Kind            string   `json:"kind"` // always "night"
	Date            string   `json:"date"` // local date of the evening, 2006-01-02
	FromWall        string   `json:"from"`
	ToWall          string   `json:"to"`
	Version         int      `json:"version"` // of the model that made the row
	BurnedKg        *float64 `json:"burned_kg,omitempty"`
	BurnedLowKg     *float64 `json:"burned_low_kg,omitempty"`
	BurnedHighKg    *float64 `json:"burned_high_kg,omitempty"`
	DayKg           *float64 `json:"day_before_kg,omitempty"` // burned between the night before and this one
	HeaterKg        *float64 `json:"heater_kg,omitempty"`
	OtherKg         *float64 `json:"other_kg,omitempty"`
	HeaterH         *float64 `json:"heater_h,omitempty"`
	OutsideLowC     *float64 `json:"outside_low_c,omitempty"`
	OutsideMeanC    *float64 `json:"outside_mean_c,omitempty"`
	CabinLowC       *float64 `json:"cabin_low_c,omitempty"`
	CabinMeanC      *float64 `json:"cabin_mean_c,omitempty"`
	PipeLowC        *float64 `json:"pipe_low_c,omitempty"`
	DegreeHours     *float64 `json:"degree_hours_kh,omitempty"` // kelvin-hours of cabin above outside
	HighestBand     string   `json:"gas_band"`
	WatchedH        float64  `json:"watched_h"` // hours with a believed weight
	GapH            float64  `json:"gap_h"`     // hours of the window nobody watched
	Alarms          int      `json:"alarms"`    // alarms raised
	Moved           bool     `json:"moved,omitempty"`
	CylinderChanged bool     `json:"cylinder_changed,omitempty"`
	ClockUntrusted  bool     `json:"clock_untrusted,omitempty"`

	HeaterLowKg  *float64 `json:"heater_low_kg,omitempty"`  // what was recognised as the heater's
	HeaterHighKg *float64 `json:"heater_high_kg,omitempty"` // all that was not surely another's

	EnergyMJ         *float64       `json:"energy_net_mj,omitempty"`       // of BurnedKg on the net heating value, its losses in it
	Appliances       []ApplianceUse `json:"appliances,omitempty"`          // in configuration order
	LeastSupplyRatio *float64       `json:"least_supply_ratio,omitempty"`  // likeliest, while something burned
	LeastSeatMarginK *float64       `json:"least_seat_margin_k,omitempty"` // likeliest, if the fuel is wet
	Loads            []LoadUse      `json:"loads,omitempty"`               // in configuration order
	RanShort         bool           `json:"ran_short,omitempty"`           // the cylinder was empty, or the heater called for gas in vain

	// The forecast that stood when the night began; absent if there was none.
	ForecastKg         *float64 `json:"forecast_kg,omitempty"`
	ForecastLowKg      *float64 `json:"forecast_low_kg,omitempty"`
	ForecastHighKg     *float64 `json:"forecast_high_kg,omitempty"`
	ForecastWiderRatio *float64 `json:"forecast_wider_ratio,omitempty"` // by which its interval had been widened; absent is 1
	ExpectedLowC       *float64 `json:"expected_low_c,omitempty"`       // of the outside low
	ExpectedLowLeastC  *float64 `json:"expected_low_least_c,omitempty"`
	ExpectedLowMostC   *float64 `json:"expected_low_most_c,omitempty"`
}

// Tonight is the forecast from now to the end of the coming night. Verdict is at most six
// words; Odds and Facts carry the numbers it rests on. A number that cannot be said yet is
// an unknown quantity with its reason.
type Tonight struct {
	Verdict        string
	Odds           string
	Facts          []string
	NightsLeft     estimate.Quantity
	NightKg        estimate.Quantity // what the coming night is expected to burn, over its whole window
	EndFuelKg      estimate.Quantity // fuel left at its end
	FuelOdds       estimate.Quantity // 0 to 1 that the fuel lasts until then; no interval
	PressureOdds   estimate.Quantity // 0 to 1 that the cylinder also gives all that is asked until then; no interval
	ThinAfterH     estimate.Quantity // hours from now until pressure is likelier short than not; unknown if it is not before the end
	SupplyRatio    estimate.Quantity // least until then, over the whole flame of what burns
	SeatMarginK    estimate.Quantity // least until then, if the fuel is wet
	ChargeAh       estimate.Quantity // electricity of the configured loads over the night's whole window; unknown without one
	FullInputLeftH estimate.Quantity // hours the least fuel lasts at every appliance's heater input
	ExpectedLowC   estimate.Quantity
	EndsWall       time.Time // end of the coming night; zero if the clock is not trusted
	NightsSeen     int
	Enough         estimate.Tristate // whether fuel and pressure last, as Verdict has it; Unsure where it cannot be said
	Heat           HeatLoss          // what a degree of cold costs this van
}
