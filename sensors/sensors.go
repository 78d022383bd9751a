// Package sensors is the vocabulary of measurement: when something was read ([Stamp]),
// what was read ([Channel], [Wiring]), what came back ([Reading]) and how far it can be
// believed ([Quality]).
//
// It does nothing. Drivers (sensors/hw), the simulated van (sensors/sim) and the pure
// core share these words and nothing else.
package sensors

import (
	"slices"
	"strings"
	"time"
)

// Stamp says when a tick happened, twice. Up is the time since the program started,
// monotonic, and the only clock that arithmetic may use. Wall is a UTC label without a
// monotonic part: a board without a battery clock boots in the past and jumps when a
// network appears, so Wall may be years wrong and may step at any tick.
type Stamp struct {
	Up   time.Duration
	Wall time.Time
}

// UpS is Up in seconds.
func (s Stamp) UpS() float64 { return s.Up.Seconds() }

// Quality says how far a reading or an estimate can be believed. The zero value is
// Missing, so nothing is trusted by accident.
type Quality uint8

const (
	Missing Quality = iota // no reading: the channel said nothing in this tick
	Bad                    // a fault was seen, and a word says which
	Suspect                // a value that should not be relied on alone
	Good                   // believed
)

var qualityWords = [...]string{"missing", "bad", "suspect", "good"}

// String is the word used in events, the page and the interfaces.
func (q Quality) String() string {
	if int(q) < len(qualityWords) {
		return qualityWords[q]
	}
	return "missing"
}

// MarshalText writes the word; it never fails.
func (q Quality) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads the word. Unknown words read as Missing, so that an old
// checkpoint can never make a reading better than it was.
func (q *Quality) UnmarshalText(b []byte) error {
	*q = Quality(max(0, slices.Index(qualityWords[:], string(b))))
	return nil
}

// Reading is one raw value of one channel in one tick, before any judgement: ADC counts,
// volts, degrees Celsius, kilopascals, 0 or 1. Fault is empty unless Quality is Bad; it is
// then one lower-case word ("crc", "timeout"). The zero Reading is "nothing came".
type Reading struct {
	Value   float64
	Quality Quality
	Fault   string
}

// Of is a Good reading of v.
func Of(v float64) Reading { return Reading{Value: v, Quality: Good} }

// Fault is a Bad reading; word names the fault in lower case without spaces.
func Fault(word string) Reading { return Reading{Quality: Bad, Fault: word} }

// Channel names one raw value; the unit ends the name, and the name is the column in a
// recording.
type Channel string

// The channels a van can have. A van has those its configuration wires, and no others.
const (
	LoadCounts     Channel = "load_counts"     // bridge ADC under the cylinder, signed counts
	GasV           Channel = "gas_v"           // floor gas sensor, volts over the load resistor
	GasSupplyV     Channel = "gas_supply_v"    // supply of the gas divider, volts
	GasHeaterV     Channel = "gas_heater_v"    // heater supply of the gas sensor, volts
	CabinC         Channel = "cabin_c"         // living space, mid height
	OutsideC       Channel = "outside_c"       // outside air in shade
	LockerC        Channel = "locker_c"        // air in the gas locker, beside the load cell
	WaterlineC     Channel = "waterline_c"     // coldest water pipe
	ShellC         Channel = "shell_c"         // cylinder wall below the liquid level
	RegulatorC     Channel = "regulator_c"     // regulator body
	BaroKPa        Channel = "baro_kpa"        // air pressure, absolute
	HumidityPct    Channel = "humidity_pct"    // relative humidity beside the gas sensor
	HeatCall       Channel = "heat_call"       // 1 while the heater asks for gas
	GasValve       Channel = "gas_valve"       // 1 while the gas solenoid valve is held open
	Ignition       Channel = "ignition"        // 1 while the engine's ignition is on
	CertifiedAlarm Channel = "certified_alarm" // 1 while the certified gas alarm's own output is closed
	COAlarm        Channel = "co_alarm"        // 1 while the CO alarm's own output is closed
	BatteryV       Channel = "battery_v"       // house battery
	AckButton      Channel = "ack_button"      // 1 while the glove button is pressed
	ClockSynced    Channel = "clock_synced"    // 1 once wall time is known to be right
	BoardUndervolt Channel = "board_undervolt" // 1 while the board's own supply is too low
	StoreAgeS      Channel = "store_age_s"     // age of the oldest thing the store has not committed
	BrokerLink     Channel = "broker_link"     // 1 while the MQTT broker answers
	StoreSizeB     Channel = "store_size_b"    // bytes the store occupies
	StoreWrittenB  Channel = "store_written_b" // bytes handed to the disk since start
	OutboxN        Channel = "outbox_n"        // alarm messages waiting to be sent
	OutboxLost     Channel = "outbox_lost_n"   // alarm messages that had to be dropped
	SounderOK      Channel = "sounder_ok"      // 1 while a tested sounder is fitted
	WebhookLink    Channel = "webhook_link"    // 1 after the last message to the webhook got through, 0 after it did not
	MailLink       Channel = "mail_link"       // the same of mail
)

// Known lists every channel, in the order recordings use.
func Known() []Channel {
	return []Channel{LoadCounts, GasV, GasSupplyV, GasHeaterV, CabinC, OutsideC, LockerC,
		WaterlineC, ShellC, RegulatorC, BaroKPa, HumidityPct, HeatCall, GasValve, Ignition,
		CertifiedAlarm, COAlarm, BatteryV, AckButton, ClockSynced, BoardUndervolt,
		StoreAgeS, StoreSizeB, StoreWrittenB, BrokerLink, OutboxN, OutboxLost, SounderOK,
		WebhookLink, MailLink}
}

// IsTemp reports whether the channel is a thermometer.
func (c Channel) IsTemp() bool { return strings.HasSuffix(string(c), "_c") }

// IsSwitch reports whether the channel is a digital input, 0 or 1.
func (c Channel) IsSwitch() bool {
	switch c {
	case HeatCall, GasValve, Ignition, CertifiedAlarm, COAlarm, AckButton, ClockSynced,
		BoardUndervolt, BrokerLink, SounderOK, WebhookLink, MailLink:
		return true
	}
	return false
}

// IsHealth reports whether the channel is the program's own state, filled in by the
// daemon rather than by a driver.
func (c Channel) IsHealth() bool {
	switch c {
	case ClockSynced, BoardUndervolt, StoreAgeS, StoreSizeB, StoreWrittenB, BrokerLink,
		OutboxN, OutboxLost, SounderOK, WebhookLink, MailLink:
		return true
	}
	return false
}

// Wire is one channel the van has, and how often it is read. An empty cell younger than
// three periods is no fault, then the channel is Suspect, and after six it is unknown.
type Wire struct {
	Channel Channel
	Period  time.Duration
}

// Wiring is the list of channels a van has. Its order is the order of every []Reading:
// readings travel as a slice beside their wiring, so a tick needs no map.
type Wiring []Wire

// Index is the place of ch in the readings, or -1 if the van does not have it.
func (w Wiring) Index(ch Channel) int {
	return slices.IndexFunc(w, func(x Wire) bool { return x.Channel == ch })
}
