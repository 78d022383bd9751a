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
}

// Tonight is the forecast from now to the end of the coming night. Verdict is at most six
// words; Odds and Facts carry the numbers it rests on. A number that cannot be said yet is
// an unknown quantity with its reason.
type Tonight struct {
	Verdict        string
	Odds           string
	Facts          []string
	NightsLeft     estimate.Quantity
	FullInputLeftH estimate.Quantity // hours the least fuel lasts at every appliance's heater input
	ExpectedLowC   estimate.Quantity
	EndsWall       time.Time // end of the coming night; zero if the clock is not trusted
	NightsSeen     int
	Enough         estimate.Tristate // Unsure until it can be said
	Heat           HeatLoss          // what a degree of cold costs this van
}
