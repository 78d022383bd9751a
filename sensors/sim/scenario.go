package sim

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"frostline/sensors"
)

// Scenario is a van, its weather and what happens to it. A file holds only what differs
// from the default van, see [Load].
type Scenario struct {
	Name       string            `toml:"name"`
	What       string            `toml:"what"` // one sentence: what happens and what a monitor should notice
	Start      time.Time         `toml:"start"`
	UTCOffsetH float64           `toml:"utc_offset_h"` // local time less UTC
	Duration   Span              `toml:"duration"`
	Tick       Span              `toml:"tick"` // 1 s to 10 s
	Seed       uint64            `toml:"seed"` // used when New is given 0
	Channels   []sensors.Channel `toml:"channels"`
	Without    []sensors.Channel `toml:"without"` // of Channels, not fitted
	Van        VanSpec           `toml:"van"`
	Weather    WeatherSpec       `toml:"weather"`
	Meals      []Meal            `toml:"meals"`
	Events     []Event           `toml:"events"`
}

// Span is a length of time, written "2h30m" in a scenario.
type Span struct{ time.Duration }

// UnmarshalText reads what [time.ParseDuration] reads.
func (s *Span) UnmarshalText(b []byte) (err error) {
	s.Duration, err = time.ParseDuration(string(b))
	return err
}

// DayTime is a local time of day, written "07:30".
type DayTime struct{ time.Duration }

// UnmarshalText reads hours and minutes.
func (d *DayTime) UnmarshalText(b []byte) error {
	at, err := time.Parse("15:04", string(b))
	if err != nil {
		return fmt.Errorf("time of day %q: want hours and minutes like 07:30", b)
	}
	d.Duration = time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute
	return nil
}

// VanSpec is the van as built. Temperatures in C, the unit ends each name.
type VanSpec struct {
	Occupants int           `toml:"occupants"`
	Wakes     DayTime       `toml:"wakes"`
	Sleeps    DayTime       `toml:"sleeps"`
	AltitudeM float64       `toml:"altitude_m"`
	Cabin     CabinSpec     `toml:"cabin"`
	Heater    HeaterSpec    `toml:"heater"`
	Cooktop   CooktopSpec   `toml:"cooktop"`
	Cylinder  CylinderSpec  `toml:"cylinder"`
	Regulator RegulatorSpec `toml:"regulator"`
	Scale     ScaleSpec     `toml:"scale"`
	Gas       GasSpec       `toml:"gas"`
	Battery   BatterySpec   `toml:"battery"`
	Clock     ClockSpec     `toml:"clock"`
}

// CabinSpec is the living space: air that follows quickly, furniture and walls that do not.
type CabinSpec struct {
	StartC         float64 `toml:"start_c"`
	UAWPerK        float64 `toml:"ua_w_per_k"`        // heat loss in calm air
	WindUAJPerKM   float64 `toml:"wind_ua_j_per_k_m"` // more heat loss per m/s of wind
	AirKJPerK      float64 `toml:"air_kj_per_k"`
	MassKJPerK     float64 `toml:"mass_kj_per_k"`
	CouplingWPerK  float64 `toml:"coupling_w_per_k"`
	VolumeM3       float64 `toml:"volume_m3"`
	AirChangesPerH float64 `toml:"air_changes_per_h"`
}

// HeaterSpec is the thermostat and its gas heater. KW is input on the net heating value.
type HeaterSpec struct {
	KW              float64 `toml:"kw"`
	EfficiencyFrac  float64 `toml:"efficiency_frac"`
	SetC            float64 `toml:"set_c"`
	NightSetC       float64 `toml:"night_set_c"`
	HysteresisK     float64 `toml:"hysteresis_k"` // each side of the set point
	PlateErrorFrac  float64 `toml:"plate_error_frac"`
	Off             bool    `toml:"off"`
	RetryAfter      Span    `toml:"retry_after"` // pause after three failed tries
	BlowerNeedsMinV float64 `toml:"blower_needs_min_v"`
}

// CooktopSpec is two burners set by hand, input on the net heating value.
type CooktopSpec struct {
	KW    float64 `toml:"kw"`
	MinKW float64 `toml:"min_kw"`
}

// CylinderSpec is the cylinder that stands on the scale at the start.
type CylinderSpec struct {
	TareKg          float64  `toml:"tare_kg"`         // true, valve included
	StampedTareKg   float64  `toml:"stamped_tare_kg"` // on the collar
	FuelKg          float64  `toml:"fuel_kg"`
	CapacityKg      float64  `toml:"capacity_kg"` // stamped fill
	VolumeL         float64  `toml:"volume_l"`
	DiameterM       float64  `toml:"diameter_m"`
	UWPerM2K        float64  `toml:"u_w_per_m2_k"`
	UAWPerK         float64  `toml:"ua_w_per_k"` // fixed conductance; 0 computes it from the wetted wall
	WallKJPerK      float64  `toml:"wall_kj_per_k"`
	PropaneMassFrac float64  `toml:"propane_mass_frac"` // the rest is n-butane
	StartC          *float64 `toml:"start_c"`           // of the contents; nil: as warm as the locker
	Dry             bool     `toml:"no_dew"`            // the wall never sweats
}

// RegulatorSpec is the regulator in the locker.
type RegulatorSpec struct {
	NeedGaugeKPa float64 `toml:"need_gauge_kpa"` // inlet below which it passes less than asked
	UAWPerK      float64 `toml:"ua_w_per_k"`
	Wet          bool    `toml:"wet"`   // free water in the cylinder
	IceG         float64 `toml:"ice_g"` // ice that closes the seat
}

// ScaleSpec is the load cell. Zero fields take what the grade says.
type ScaleSpec struct {
	Grade         string  `toml:"grade"` // good or cheap
	NoiseG        float64 `toml:"noise_g"`
	WalkG         float64 `toml:"walk_g"`          // slow wander, rms
	ZeroTCGPerK   float64 `toml:"zero_tc_g_per_k"` // true; 0 draws one within the limit
	SpanTCPPMPerK float64 `toml:"span_tc_ppm_per_k"`
	LagMin        float64 `toml:"lag_min"` // cell behind the locker air
}

// GasSpec is the floor sensor and its divider.
type GasSpec struct {
	SupplyV      float64 `toml:"supply_v"`
	LoadOhm      float64 `toml:"load_ohm"`
	R0Ohm        float64 `toml:"r0_ohm"`
	Commissioned bool    `toml:"commissioned"` // the owner knows R0 from a test mix
	ColdStart    bool    `toml:"cold_start"`   // it was without power before the scenario
}

// BatterySpec is the house battery.
type BatterySpec struct {
	CapacityAh float64 `toml:"capacity_ah"`
	StartFrac  float64 `toml:"start_frac"`
	SolarA     float64 `toml:"solar_a"` // at noon
	IdleA      float64 `toml:"idle_a"`
	BlowerA    float64 `toml:"blower_a"`
}

// ClockSpec is the board's idea of wall time.
type ClockSpec struct {
	RTC       bool      `toml:"rtc"`
	BootsAt   time.Time `toml:"boots_at"`   // without RTC: wall time at every boot; zero: the last one it saw
	SyncAfter Span      `toml:"sync_after"` // after each boot without RTC
}

// WeatherSpec is the air outside.
type WeatherSpec struct {
	MeanC       float64 `toml:"mean_c"`
	SwingC      float64 `toml:"swing_c"` // half of afternoon less dawn
	WanderC     float64 `toml:"wander_c"`
	WindMPerS   float64 `toml:"wind_m_per_s"`
	HumidityPct float64 `toml:"humidity_pct"`
	SeaLevelKPa float64 `toml:"sea_level_kpa"`
	SunLockerK  float64 `toml:"sun_locker_k"` // sun on the locker at noon
}

// Meal is a habit: one burner, each day at about that time.
type Meal struct {
	At  DayTime `toml:"at"`
	For Span    `toml:"for"`
	KW  float64 `toml:"kw"`
}

// Event is one thing that happens. Which fields count depends on Do; see the kinds below.
type Event struct {
	At        Span            `toml:"at"` // since the start
	Do        string          `toml:"do"`
	For       Span            `toml:"for"`
	C         float64         `toml:"c"`
	KW        float64         `toml:"kw"`
	KPa       float64         `toml:"kpa"`
	WindMPerS float64         `toml:"wind_m_per_s"`
	GPerH     float64         `toml:"g_per_h"`
	G         float64         `toml:"g"`
	Where     string          `toml:"where"`
	AltM      float64         `toml:"altitude_m"`
	TareKg    float64         `toml:"tare_kg"`
	StampKg   float64         `toml:"stamped_tare_kg"`
	FillKg    float64         `toml:"fill_kg"`
	Channel   sensors.Channel `toml:"channel"`
	Mode      string          `toml:"mode"`
	Value     float64         `toml:"value"`
	Alarm     string          `toml:"alarm"`
	On        bool            `toml:"on"`
}

// Kinds of events.
const (
	doFront    = "front"      // c, wind_m_per_s, kpa over for: air changes by c and stays, wind and pressure come and go
	doLeak     = "leak"       // g_per_h, where = locker, floor or burner (an open burner without a flame)
	doDrive    = "drive"      // for, altitude_m at its end
	doExchange = "exchange"   // for out of the van, then tare_kg, fill_kg; c = its temperature, 0 as outside
	doRefill   = "refill"     // for out of the van, then fill_kg in the same cylinder; c as above
	doValve    = "valve"      // on = false shuts the cylinder valve; the other way again after for, if given
	doCook     = "cook"       // kw, for
	doAlcohol  = "alcohol"    // g of ethanol evaporate over for
	doAway     = "away"       // nobody aboard, for
	doSet      = "thermostat" // c, on = false switches the heater off
	doLockout  = "lockout"    // the heater locks itself out, for
	doFails    = "regulator"  // it breaks and passes the share value of what is asked, 0 nothing; whole again after for, if given
	doFault    = "fault"      // channel, mode, for
	doPowerCut = "power-cut"  // for; the board boots anew
	doOperator = "operator"   // mode = an act of the owner, see Act
)

// Fault modes of a channel.
const (
	faultGap     = "gap"     // nothing comes
	faultStuck   = "stuck"   // the last value for ever
	faultTimeout = "timeout" // the chip does not answer
	faultCRC     = "crc"     // the bytes do not add up
	faultRail    = "rail"    // the highest code there is
	faultOpen    = "open"    // the lead is cut
	faultCode    = "code"    // value: a code that looks like data
	faultHeater  = "heater"  // gas_v only: the sensor's heater is open
)

// Load reads a scenario: the default van and what the file changes. An unknown key is an
// error that names it, and so is everything that cannot be simulated.
func Load(r io.Reader, name string) (Scenario, error) {
	s := defaults()
	s.Name = name
	err := toml.NewDecoder(r).DisallowUnknownFields().Decode(&s)
	if err != nil {
		return Scenario{}, fmt.Errorf("scenario %s: %w", name, plain(err))
	}
	if s.Channels == nil {
		s.Channels = defaultChannels()
	}
	if s.Meals == nil {
		s.Meals = defaultMeals()
	}
	s.Channels = slices.DeleteFunc(s.Channels, func(c sensors.Channel) bool { return slices.Contains(s.Without, c) })
	slices.SortStableFunc(s.Events, func(a, b Event) int { return int(a.At.Duration - b.At.Duration) })
	s.Van.Scale = graded(s.Van.Scale)
	if err := s.check(); err != nil {
		return Scenario{}, fmt.Errorf("scenario %s: %w", name, err)
	}
	return s, nil
}

// plain says which key is unknown and where; the decoder's own text does not.
func plain(err error) error {
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) && len(strict.Errors) > 0 {
		row, _ := strict.Errors[0].Position()
		return fmt.Errorf("line %d: unknown key %s", row, strings.Join(strict.Errors[0].Key(), "."))
	}
	var at *toml.DecodeError
	if errors.As(err, &at) {
		row, _ := at.Position()
		return fmt.Errorf("line %d: %w", row, err)
	}
	return err
}

// check refuses what cannot be simulated.
func (s *Scenario) check() error {
	tick, c := s.Tick.Duration, &s.Van.Cylinder
	switch {
	case s.What == "":
		return errors.New("what: say in one sentence what happens")
	case tick < time.Second || tick > 10*time.Second || tick%time.Second != 0:
		return fmt.Errorf("tick %v: want whole seconds from 1 s to 10 s", tick)
	case s.Duration.Duration < tick:
		return fmt.Errorf("duration %v: shorter than a tick", s.Duration.Duration)
	case s.Start.IsZero():
		return errors.New("start: want a date and time")
	case !(c.VolumeL > 1) || !(c.DiameterM > 0.05) || !(c.TareKg > 0) || !(c.FuelKg >= 0):
		return errors.New("van.cylinder: volume_l, diameter_m, tare_kg and fuel_kg must be a cylinder's")
	case c.FuelKg > mostFillKgPerL*c.VolumeL:
		return fmt.Errorf("van.cylinder.fuel_kg %v: no room for it in %v l", c.FuelKg, c.VolumeL)
	case !(c.PropaneMassFrac >= 0 && c.PropaneMassFrac <= 1):
		return fmt.Errorf("van.cylinder.propane_mass_frac %v: want 0 to 1", c.PropaneMassFrac)
	case s.Van.Scale.Grade != "good" && s.Van.Scale.Grade != "cheap":
		return fmt.Errorf("van.scale.grade %q: want good or cheap", s.Van.Scale.Grade)
	}
	for i, ch := range s.Channels {
		if !simulated(ch) {
			return fmt.Errorf("channels: %s is not simulated", ch)
		}
		if slices.Contains(s.Channels[:i], ch) {
			return fmt.Errorf("channels: %s is named twice", ch)
		}
	}
	for i := range s.Events {
		if err := s.Events[i].check(s); err != nil {
			return fmt.Errorf("event at %v: %w", s.Events[i].At.Duration, err)
		}
	}
	return nil
}

// check refuses an event that would do nothing or something else than it says.
func (e *Event) check(s *Scenario) error {
	needsFor := false
	switch e.Do {
	case doFront, doDrive, doCook, doAlcohol, doAway, doPowerCut, doLockout:
		needsFor = true
	case doExchange, doRefill:
		needsFor = true
		if !(e.FillKg > 0) || e.FillKg > mostFillKgPerL*s.Van.Cylinder.VolumeL {
			return fmt.Errorf("fill_kg %v: no such filling", e.FillKg)
		}
		if e.Do == doExchange && !(e.TareKg > 0) {
			return errors.New("exchange: want tare_kg of the other cylinder")
		}
	case doLeak:
		if !(e.GPerH > 0) || !slices.Contains([]string{"locker", "floor", "burner"}, e.Where) {
			return errors.New("leak: want g_per_h, and where = locker, floor or burner")
		}
	case doFault:
		return e.checkFault(s)
	case doOperator:
		if !slices.Contains(operatorActs(), e.Mode) {
			return fmt.Errorf("operator: mode %q: want one of %s", e.Mode, strings.Join(operatorActs(), ", "))
		}
	case doFails:
		if !(e.Value >= 0 && e.Value < 1) {
			return fmt.Errorf("regulator: value %v: want the share that it still passes, 0 to below 1", e.Value)
		}
	case doValve, doSet:
	default:
		return fmt.Errorf("do %q: no such event", e.Do)
	}
	if needsFor && e.For.Duration <= 0 {
		return fmt.Errorf("%s: want for", e.Do)
	}
	return nil
}

func (e *Event) checkFault(s *Scenario) error {
	if !slices.Contains(s.Channels, e.Channel) {
		return fmt.Errorf("fault: channel %q is not fitted", e.Channel)
	}
	modes := []string{faultGap, faultStuck, faultTimeout, faultCRC, faultRail, faultOpen, faultCode}
	if e.Channel == sensors.GasV {
		modes = append(modes, faultHeater)
	}
	if !slices.Contains(modes, e.Mode) {
		return fmt.Errorf("fault: mode %q: want one of %s", e.Mode, strings.Join(modes, ", "))
	}
	if e.Mode == faultRail && e.Channel != sensors.LoadCounts && e.Channel != sensors.GasV {
		return fmt.Errorf("fault: %s has no rail", e.Channel)
	}
	return nil
}
