// Package core is the program as one function: [Core.Step] takes an [Input] (time,
// readings, at most one command) and returns a [Snapshot] (estimates, alarms, events).
//
// It asks no clock, opens no file and starts no goroutine. Replay is calling the same
// function from a recording, a demo is calling it from a simulated van, and a field bug
// becomes a recording that fails until it is mended. The recording format lives here too
// ([Encoder], [Decoder]), because a recording is nothing but a list of inputs.
package core

import (
	"time"

	"frostline/alerts"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// Params is everything the core must know of the van, compiled from the configuration.
type Params struct {
	Wiring    sensors.Wiring
	Estimate  estimate.Params
	Setpoints alerts.Setpoints
	Nights    nights.Params
	DailyMin  []int // minutes after local midnight at which a [Daily] is due
}

// Input is one tick. Readings lie in the order of Params.Wiring. Boot names the run of the
// program: when it changes, Up has started again.
type Input struct {
	Stamp    sensors.Stamp
	Boot     string
	Readings []sensors.Reading
	Command  *Command
}

// Command is one button press of the operator, or of the shell in their name. Exactly one
// of the fields after Actor is set.
type Command struct {
	Actor             string                    `json:"actor,omitempty"`
	Ack               string                    `json:"ack,omitempty"`         // alarm id
	AckAudible        bool                      `json:"ack_audible,omitempty"` // the glove button: every sounding alarm it may silence
	Reset             string                    `json:"reset,omitempty"`       // alarm id
	Shelve            *Shelve                   `json:"shelve,omitempty"`
	Unshelve          string                    `json:"unshelve,omitempty"`       // alarm id
	OutOfService      string                    `json:"out_of_service,omitempty"` // alarm id
	InService         string                    `json:"in_service,omitempty"`     // alarm id
	Changed           *estimate.Change          `json:"cylinder_changed,omitempty"`
	ExpectedLow       *ExpectedLow              `json:"expected_low,omitempty"`
	WeightWatch       *bool                     `json:"weight_watch,omitempty"`  // true starts, false ends
	Undone            bool                      `json:"change_undone,omitempty"` // the last word about a change of cylinder
	Collar            *estimate.Collar          `json:"collar_read,omitempty"`
	Night             *NightWindow              `json:"night_window,omitempty"`
	Joint             *JointCheck               `json:"joint_checked,omitempty"`
	Answered          *Answer                   `json:"alarm_answered,omitempty"`
	Calibrated        *estimate.CalibrationStep `json:"calibrated,omitempty"`
	WallSet           *WallSet                  `json:"wall_set,omitempty"`
	CalibrationUndone string                    `json:"calibration_undone,omitempty"` // estimate.TheScale or TheGas
	SounderHeard      *bool                     `json:"sounder_heard,omitempty"`      // whether a person heard it where they sleep
	Stop              string                    `json:"stop,omitempty"`               // the shell is stopping in order; the word says why
}

// Shelve takes an alarm off the list for a while.
type Shelve struct {
	Alarm string  `json:"alarm"`
	ForS  float64 `json:"for_s"`
}

// ExpectedLow is the owner's forecast of tonight's lowest outside temperature.
type ExpectedLow struct {
	C float64 `json:"c"`
}

// NightWindow is the hours of a night by the van's own clock, as 18:00 and 10:00.
type NightWindow struct {
	From string `json:"from"`
	To   string `json:"to"`
}

// Event is one line of the event log: what happened, with the stamp of its tick and a
// number that grows by one with every event of the van's life. Exactly one of the four
// parts is set; in JSON its fields stand beside the stamp.
type Event struct {
	Stamp     sensors.Stamp
	Seq       uint64
	Alarm     *alerts.Transition
	Happening *estimate.Happening
	Night     *nights.Night
	Note      *Note
	Daily     *Daily
}

// Snapshot is everything that is true after a tick. It is built whole, never changed and
// shared by pointer: page, metrics, MQTT and history render the same one, so they cannot
// disagree.
type Snapshot struct {
	Stamp      sensors.Stamp
	Boot       string
	Tick       uint64 // counts ticks; over a restart it goes on from the checkpoint
	Est        *estimate.Estimates
	Alarms     []alerts.Status // catalogue order
	Tonight    nights.Tonight
	Forecasts  nights.Calibration // what became of those before
	Totals     Totals
	Night      nights.Window  // hours of a night in use
	NextNight  *nights.Window // chosen, and used from the next night on; nil if none is
	Quiet      bool           // quiet hours: what is neither high nor critical waits to be told
	Heard      *Heard         // when a person heard the sounder; nil if nobody has said so
	Joints     []JointAnswer  // what fluid showed since the last change, the newest last; nil if nobody looked
	Cards      []Card         // alarms to be asked about now, the oldest first
	Events     []Event        // of this tick, in order
	Command    *Command       // the command taken in this tick, if any
	Refused    string         // why that command was refused; empty if it was taken
	Checkpoint []byte         // JSON to be stored with the events; nil in most ticks
}

// Heard is a person's word that the sounder was heard where they sleep.
type Heard struct {
	Wall         time.Time `json:"wall"`
	ClockTrusted bool      `json:"clock_trusted"`
	Actor        string    `json:"actor"`
}

// Totals only ever grow, restarts included.
type Totals struct {
	BurnedKg        float64 `json:"burned_kg"`
	CylinderChanges uint64  `json:"cylinder_changes"`
	ClockSteps      uint64  `json:"clock_steps"`
	Nights          uint64  `json:"nights"`
	Boots           uint64  `json:"boots"`
}
