package web

import (
	"log/slog"
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// cylinderLabel names the one cylinder that stands on the scale.
const cylinderLabel = "1"

// metrics serves the newest snapshot to Prometheus. Compression would double the cost of a
// scrape on the van's own network and save nothing there (libraries.md 3).
func (s *Server) metrics() http.Handler {
	own := prometheus.NewRegistry()
	own.MustRegister(newCollector(s))
	return promhttp.HandlerFor(own, promhttp.HandlerOpts{
		ErrorLog:            slog.NewLogLogger(s.opt.Log.Handler(), slog.LevelError),
		ErrorHandling:       promhttp.HTTPErrorOnError,
		DisableCompression:  true,
		MaxRequestsInFlight: 2,
	})
}

// collector turns one snapshot into metrics at scrape time, so that all are of one instant
// and a sensor that is gone takes its series with it. What is unknown is absent; what is
// stale is unknown.
type collector struct {
	s     *Server
	desc  map[string]*prometheus.Desc
	order []*prometheus.Desc
}

func newCollector(s *Server) *collector {
	c := &collector{s: s, desc: make(map[string]*prometheus.Desc)}
	for _, m := range metricNames() {
		d := prometheus.NewDesc(m.name, m.help, m.labels, nil)
		c.desc[m.name] = d
		c.order = append(c.order, d)
	}
	return c
}

type metricName struct {
	name   string
	help   string
	labels []string
}

// metricNames lists every metric there can be (conventions.md 2.2).
func metricNames() []metricName {
	cyl := []string{"cylinder"}
	return []metricName{
		{"frostline_build_info", "Version of the program.", []string{"version", "revision", "goversion"}},
		{"frostline_fuel_remaining_grams", "Fuel in the cylinder, likeliest.", cyl},
		{"frostline_fuel_remaining_low_grams", "Fuel in the cylinder, low end of the 95 % interval.", cyl},
		{"frostline_fuel_remaining_high_grams", "Fuel in the cylinder, high end of the 95 % interval.", cyl},
		{"frostline_fuel_capacity_grams", "Fill of the cylinder by its stamp.", cyl},
		{"frostline_fuel_consumed_grams_total", "Fuel burned since the first start.", cyl},
		{"frostline_fuel_nights_left", "Nights like the last ones that the fuel lasts, likeliest.", nil},
		{"frostline_fuel_nights_left_low", "Nights that the fuel lasts, low end of the 95 % interval.", nil},
		{"frostline_fuel_nights_left_high", "Nights that the fuel lasts, high end of the 95 % interval.", nil},
		{"frostline_tonight_fuel_odds_ratio", "Odds that the fuel lasts until the end of the coming night.", nil},
		{"frostline_tonight_pressure_odds_ratio", "Odds that the cylinder also gives all that is asked until then.", nil},
		{"frostline_tonight_burn_grams", "Fuel that the coming night is expected to burn, over its whole window.", nil},
		{"frostline_tonight_burn_low_grams", "Fuel of the coming night, low end of the 95 % interval.", nil},
		{"frostline_tonight_burn_high_grams", "Fuel of the coming night, high end of the 95 % interval.", nil},
		{"frostline_tonight_end_fuel_grams", "Fuel expected to be left at the end of the coming night.", nil},
		{"frostline_tonight_end_fuel_low_grams", "Fuel left in the end, low end of the 95 % interval.", nil},
		{"frostline_tonight_end_fuel_high_grams", "Fuel left in the end, high end of the 95 % interval.", nil},
		{"frostline_tonight_thin_after_seconds", "Time from now until pressure is likelier short than not; absent if it is not before the end of the coming night.", nil},
		{"frostline_tonight_enough", "Whether fuel and pressure last the coming night by the verdict, exactly one state is 1.", []string{"frostline_tonight_enough"}},
		{"frostline_forecast_nights", "Nights of the last thirty whose fuel was forecast in the evening and can judge it.", nil},
		{"frostline_forecast_held_ratio", "Share of them within the forecast's 95 % interval; absent without any.", nil},
		{"frostline_forecast_mean_error_grams", "Burned less forecast, in the mean of them.", nil},
		{"frostline_forecast_rms_error_grams", "Root mean square of burned less forecast.", nil},
		{"frostline_forecast_widening_ratio", "Factor by which the next forecast is widened because those before were too sure; 1 is none.", nil},
		{"frostline_heat_loss_watts_per_kelvin", "Fuel's heat, net, for each kelvin of cabin above outside, fitted to this van's nights; absent before that.", nil},
		{"frostline_heat_loss_low_watts_per_kelvin", "Heat loss, low end of the 95 % interval.", nil},
		{"frostline_heat_loss_high_watts_per_kelvin", "Heat loss, high end of the 95 % interval.", nil},
		{"frostline_cylinder_changes_total", "Cylinders changed since the first start.", cyl},
		{"frostline_burn_grams_per_second", "Fuel leaving the cylinder, likeliest.", cyl},
		{"frostline_burn_low_grams_per_second", "Fuel leaving the cylinder, low end of the 95 % interval.", cyl},
		{"frostline_burn_high_grams_per_second", "Fuel leaving the cylinder, high end of the 95 % interval.", cyl},
		{"frostline_supply_ratio", "Vapour the cylinder can give over what is burned.", cyl},
		{"frostline_supply_low_ratio", "Supply ratio, low end of the 95 % interval.", cyl},
		{"frostline_seat_margin_kelvin", "Seat of the regulator above the warmest freezing point, if the fuel is wet.", cyl},
		{"frostline_seat_margin_low_kelvin", "Seat margin, low end of the 95 % interval, if the fuel is wet.", cyl},
		{"frostline_regulator_freeze_risk", "Freeze-up risk of the regulator by temperatures, exactly one state is 1; absent when not assessed. Whether the fuel is wet and the vent are never assessed.", []string{"frostline_regulator_freeze_risk"}},
		{"frostline_cylinder_pressure_pascals", "Absolute pressure in the cylinder, derived.", cyl},
		{"frostline_cylinder_pressure_low_pascals", "Absolute pressure in the cylinder, low end of the 95 % interval.", cyl},
		{"frostline_cylinder_overpressure_pascals", "Pressure in the cylinder above the outside air, derived.", cyl},
		{"frostline_vapour_capacity_grams_per_second", "Most the cylinder boils off steadily at the regulator's least inlet pressure.", cyl},
		{"frostline_vapour_capacity_low_grams_per_second", "Vapour capacity, low end of the 95 % interval.", cyl},
		{"frostline_temperature_celsius", "Temperatures of the van.", []string{"location"}},
		{"frostline_battery_volts", "House battery.", nil},
		{"frostline_gas_band", "Band of the floor gas sensor, exactly one state is 1; a certified gas alarm is the watch.", []string{"frostline_gas_band"}},
		{"frostline_gas_lel_ratio", "Floor gas over its lower explosive limit, of a sensor that met a test mix; a certified gas alarm is the watch.", nil},
		{"frostline_sensor_up", "Whether the sensor can be believed now.", []string{"sensor"}},
		{"frostline_sensor_last_read_timestamp_seconds", "When the sensor was last read, if the clock is trusted.", []string{"sensor"}},
		{"frostline_sensor_reads_total", "Readings that were accepted, since the first start.", []string{"sensor"}},
		{"frostline_sensor_read_errors_total", "Faults and impossible values, since the first start.", []string{"sensor"}},
		{"frostline_clock_synchronized", "Whether the clock is trusted.", nil},
		{"frostline_clock_steps_total", "Steps of the clock since the first start.", nil},
		{"frostline_nights_total", "Nights in the ledger since the first start.", nil},
		{"frostline_boots_total", "Starts of the program.", nil},
		{"frostline_tick_timestamp_seconds", "Time of the newest snapshot, if the clock is trusted.", nil},
		{"frostline_mqtt_connected", "Whether the broker answers.", nil},
		{"frostline_message_path_up", "Whether the last message over a path got through; absent before the first.", []string{"path"}},
		{"frostline_outbox_messages", "Alarm messages waiting to be sent.", []string{"path"}},
		{"frostline_outbox_lost_messages_total", "Alarm messages dropped since the start.", []string{"path"}},
		{"frostline_store_written_bytes_total", "Bytes handed to the disk since the start.", nil},
		{"frostline_store_size_bytes", "Size of the store.", nil},
		{"frostline_alarm_state", "State of each alarm (ISA-18.2), exactly one per alarm is 1.", []string{"alarm", "frostline_alarm_state"}},
	}
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range c.order {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	x := scrape{c, out}
	x.gauge("frostline_build_info", 1, c.s.opt.Version, c.s.opt.Revision, runtime.Version())
	f := c.s.latest.Load()
	if !f.whole() {
		return
	}
	stale := f.stale()
	x.totals(f.snap.Totals)
	x.sensors(f.snap, stale)
	x.alarms(f.snap.Alarms)
	if stale {
		x.oneOf("frostline_gas_band", string(estimate.Blind), bands())
		return
	}
	x.fuel(f.snap)
	x.tonight(&f.snap.Tonight)
	x.nights(f.snap)
	x.supply(f.snap.Est)
	x.van(f.snap.Est)
	x.health(f.snap)
}

// scrape is one scrape on its way out.
type scrape struct {
	c   *collector
	out chan<- prometheus.Metric
}

func (x scrape) gauge(name string, v float64, labels ...string) {
	x.out <- prometheus.MustNewConstMetric(x.c.desc[name], prometheus.GaugeValue, v, labels...)
}

func (x scrape) counter(name string, v float64, labels ...string) {
	x.out <- prometheus.MustNewConstMetric(x.c.desc[name], prometheus.CounterValue, v, labels...)
}

// known sends one end of a quantity, scaled to base units, unless the quantity is unknown.
func (x scrape) known(name string, q estimate.Quantity, v, scale float64, labels ...string) {
	if q.Known() {
		x.gauge(name, v*scale, labels...)
	}
}

// oneOf sends a state set: the state that holds is 1, the others 0.
func (x scrape) oneOf(name, now string, states []string, labels ...string) {
	for _, state := range states {
		v := 0.0
		if state == now {
			v = 1
		}
		x.gauge(name, v, append(append([]string{}, labels...), state)...)
	}
}

func (x scrape) totals(t core.Totals) {
	const gramsPerKg = 1000
	x.counter("frostline_fuel_consumed_grams_total", t.BurnedKg*gramsPerKg, cylinderLabel)
	x.counter("frostline_cylinder_changes_total", float64(t.CylinderChanges), cylinderLabel)
	x.counter("frostline_clock_steps_total", float64(t.ClockSteps))
	x.counter("frostline_nights_total", float64(t.Nights))
	x.counter("frostline_boots_total", float64(t.Boots))
}

func (x scrape) fuel(s *core.Snapshot) {
	const gramsPerKg, gramsPerS = 1000, 1000.0 / 3600
	q := s.Est.FuelKg
	x.known("frostline_fuel_remaining_grams", q, q.Value, gramsPerKg, cylinderLabel)
	x.known("frostline_fuel_remaining_low_grams", q, q.Low, gramsPerKg, cylinderLabel)
	x.known("frostline_fuel_remaining_high_grams", q, q.High, gramsPerKg, cylinderLabel)
	q = s.Est.CapacityKg
	x.known("frostline_fuel_capacity_grams", q, q.Value, gramsPerKg, cylinderLabel)
	q = s.Est.BurnKgPerH
	x.known("frostline_burn_grams_per_second", q, q.Value, gramsPerS, cylinderLabel)
	x.known("frostline_burn_low_grams_per_second", q, q.Low, gramsPerS, cylinderLabel)
	x.known("frostline_burn_high_grams_per_second", q, q.High, gramsPerS, cylinderLabel)
	q = s.Tonight.NightsLeft
	x.known("frostline_fuel_nights_left", q, q.Value, 1)
	x.known("frostline_fuel_nights_left_low", q, q.Low, 1)
	x.known("frostline_fuel_nights_left_high", q, q.High, 1)
}

func (x scrape) tonight(t *nights.Tonight) {
	const gramsPerKg, secondsPerH = 1000, 3600
	x.known("frostline_tonight_fuel_odds_ratio", t.FuelOdds, t.FuelOdds.Value, 1)
	x.known("frostline_tonight_pressure_odds_ratio", t.PressureOdds, t.PressureOdds.Value, 1)
	q := t.NightKg
	x.known("frostline_tonight_burn_grams", q, q.Value, gramsPerKg)
	x.known("frostline_tonight_burn_low_grams", q, q.Low, gramsPerKg)
	x.known("frostline_tonight_burn_high_grams", q, q.High, gramsPerKg)
	q = t.EndFuelKg
	x.known("frostline_tonight_end_fuel_grams", q, q.Value, gramsPerKg)
	x.known("frostline_tonight_end_fuel_low_grams", q, q.Low, gramsPerKg)
	x.known("frostline_tonight_end_fuel_high_grams", q, q.High, gramsPerKg)
	x.known("frostline_tonight_thin_after_seconds", t.ThinAfterH, t.ThinAfterH.Value, secondsPerH)
	x.oneOf("frostline_tonight_enough", tristate(t.Enough), []string{"yes", "no", "unknown"})
}

// nights says what a degree costs this van, and how far its forecasts may be believed.
func (x scrape) nights(s *core.Snapshot) {
	if h := s.Tonight.Heat; h.Learned {
		q := h.FuelWPerK
		x.known("frostline_heat_loss_watts_per_kelvin", q, q.Value, 1)
		x.known("frostline_heat_loss_low_watts_per_kelvin", q, q.Low, 1)
		x.known("frostline_heat_loss_high_watts_per_kelvin", q, q.High, 1)
	}
	c := s.Forecasts
	x.gauge("frostline_forecast_nights", float64(c.NightsN))
	x.gauge("frostline_forecast_widening_ratio", max(1, c.WiderRatio))
	if c.NightsN == 0 {
		return
	}
	const gramsPerKg = 1000
	x.gauge("frostline_forecast_held_ratio", float64(c.HeldN)/float64(c.NightsN))
	x.gauge("frostline_forecast_mean_error_grams", c.MeanErrKg*gramsPerKg)
	x.gauge("frostline_forecast_rms_error_grams", c.RMSErrKg*gramsPerKg)
}

func (x scrape) supply(e *estimate.Estimates) {
	const pascalsPerKPa, gramsPerS = 1000, 1 / 3.6
	x.known("frostline_supply_ratio", e.SupplyRatio, e.SupplyRatio.Value, 1, cylinderLabel)
	x.known("frostline_supply_low_ratio", e.SupplyRatio, e.SupplyRatio.Low, 1, cylinderLabel)
	x.known("frostline_seat_margin_kelvin", e.SeatMarginK, e.SeatMarginK.Value, 1, cylinderLabel)
	x.known("frostline_seat_margin_low_kelvin", e.SeatMarginK, e.SeatMarginK.Low, 1, cylinderLabel)
	x.known("frostline_cylinder_pressure_pascals", e.CylinderKPa, e.CylinderKPa.Value, pascalsPerKPa, cylinderLabel)
	x.known("frostline_cylinder_pressure_low_pascals", e.CylinderKPa, e.CylinderKPa.Low, pascalsPerKPa, cylinderLabel)
	x.known("frostline_cylinder_overpressure_pascals", e.CylinderGaugeKPa, e.CylinderGaugeKPa.Value, pascalsPerKPa, cylinderLabel)
	x.known("frostline_vapour_capacity_grams_per_second", e.VapourKgPerH, e.VapourKgPerH.Value, gramsPerS, cylinderLabel)
	x.known("frostline_vapour_capacity_low_grams_per_second", e.VapourKgPerH, e.VapourKgPerH.Low, gramsPerS, cylinderLabel)
	if e.Freeze.Assessed() { // absent otherwise, like the numbers it rests on
		x.oneOf("frostline_regulator_freeze_risk", string(e.Freeze.Risk), estimate.Risks()[1:])
	}
}

func (x scrape) van(e *estimate.Estimates) {
	for _, t := range []struct {
		location string
		q        estimate.Quantity
	}{
		{"cabin", e.CabinC}, {"outside", e.OutsideC}, {"locker", e.LockerC},
		{"pipe", e.PipeC}, {"cylinder-liquid", e.LiquidTempC},
	} {
		x.known("frostline_temperature_celsius", t.q, t.q.Value, 1, t.location)
	}
	x.known("frostline_battery_volts", e.BatteryV, e.BatteryV.Value, 1)
	x.oneOf("frostline_gas_band", string(e.Band), bands())
	x.known("frostline_gas_lel_ratio", e.FloorGasPctLEL, e.FloorGasPctLEL.Value, 0.01)
}

func bands() []string {
	return []string{string(estimate.Blind), string(estimate.Background), string(estimate.Trace),
		string(estimate.Warning), string(estimate.Leave)}
}

// sensors says of each channel whether it can be believed and when it last was read: a
// moment, not an age, and only by a clock that can be trusted.
func (x scrape) sensors(s *core.Snapshot, stale bool) {
	for _, ch := range s.Est.Channels {
		if ch.Channel.IsHealth() {
			continue
		}
		up := 0.0
		if ch.Quality >= sensors.Suspect && !stale {
			up = 1
		}
		x.gauge("frostline_sensor_up", up, string(ch.Channel))
		x.counter("frostline_sensor_reads_total", float64(ch.ReadsN), string(ch.Channel))
		x.counter("frostline_sensor_read_errors_total", float64(ch.RefusedN), string(ch.Channel))
		if ch.Seen && s.Est.ClockTrusted {
			read := s.Stamp.Wall.Add(ch.LastUp - s.Stamp.Up)
			x.gauge("frostline_sensor_last_read_timestamp_seconds", seconds(read), string(ch.Channel))
		}
	}
	synced := 0.0
	if s.Est.ClockTrusted {
		synced = 1
		x.gauge("frostline_tick_timestamp_seconds", seconds(s.Stamp.Wall))
	}
	x.gauge("frostline_clock_synchronized", synced)
}

func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// health says the program's own state, as it came in with the readings.
func (x scrape) health(s *core.Snapshot) {
	for _, ch := range s.Est.Channels {
		if ch.Quality < sensors.Suspect {
			continue
		}
		switch ch.Channel {
		case sensors.BrokerLink:
			x.gauge("frostline_mqtt_connected", ch.Value)
		case sensors.WebhookLink:
			x.gauge("frostline_message_path_up", ch.Value, "webhook")
		case sensors.MailLink:
			x.gauge("frostline_message_path_up", ch.Value, "mail")
		case sensors.OutboxN:
			x.gauge("frostline_outbox_messages", ch.Value, outboxOf(s))
		case sensors.OutboxLost:
			x.counter("frostline_outbox_lost_messages_total", ch.Value, outboxOf(s))
		case sensors.StoreWrittenB:
			x.counter("frostline_store_written_bytes_total", ch.Value)
		case sensors.StoreSizeB:
			x.gauge("frostline_store_size_bytes", ch.Value)
		}
	}
}

// outboxOf names whose messages the store counts: it counts those of all paths together.
func outboxOf(s *core.Snapshot) string {
	if fitted(s.Est, sensors.WebhookLink) || fitted(s.Est, sensors.MailLink) {
		return "all"
	}
	return "mqtt"
}

func (x scrape) alarms(all []alerts.Status) {
	var states []string
	for _, s := range alerts.States() {
		states = append(states, s.String())
	}
	for _, a := range all {
		x.oneOf("frostline_alarm_state", a.State.String(), states, a.ID)
	}
}
