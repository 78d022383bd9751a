package config

import (
	"errors"
	"fmt"
	"math"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // a small board may have no zone files

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
	"frostline/daemon/lpg"
	"frostline/daemon/nights"
	"frostline/daemon/supply"
	"frostline/sensors"
	"frostline/sensors/hw"
)

// compiler turns raw values into options and notes everything that is wrong on the way.
type compiler struct {
	p  *Problems
	at map[string]int
}

func (c *compiler) wrong(key, format string, args ...any) {
	line, ok := c.at[key]
	for k := key; !ok && strings.Contains(k, "."); { // a missing key is said at its table
		k = k[:strings.LastIndex(k, ".")]
		line, ok = c.at[k]
	}
	c.p.add(line, key, format, args...)
}

// quantity reads a number with a unit between low and high; a missing one is def.
func (c *compiler) quantity(key string, v any, d dimension, def, low, high float64) float64 {
	if v == nil {
		return def
	}
	text, ok := v.(string)
	if !ok {
		c.wrong(key, "%v has no unit; write it in quotes, like %q", v, fmt.Sprintf("%v %s", v, d.units[0].name))
		return def
	}
	x, err := d.parse(text)
	if err != nil {
		c.wrong(key, "%v", err)
		return def
	}
	if x < low || x > high {
		c.wrong(key, "%s is out of range; it must lie between %g and %g %s", text, low, high, d.units[0].name)
		return def
	}
	return x
}

// number reads a bare number.
func (c *compiler) number(key string, v any, def, low, high float64) float64 {
	var x float64
	switch v := v.(type) {
	case nil:
		return def
	case int64:
		x = float64(v)
	case float64:
		x = v
	default:
		c.wrong(key, "%v is not a number", v)
		return def
	}
	if math.IsNaN(x) || x < low || x > high {
		c.wrong(key, "%v is out of range; it must lie between %g and %g", v, low, high)
		return def
	}
	return x
}

func (c *compiler) text(key string, v any, def string) string {
	if v == nil {
		return def
	}
	s, ok := v.(string)
	if !ok {
		c.wrong(key, "%v is not text; put it in quotes", v)
		return def
	}
	return s
}

func (c *compiler) oneOf(key string, v any, def string, words ...string) string {
	s := c.text(key, v, def)
	if !slices.Contains(words, s) {
		hint := ""
		if near := nearest(s, words); near != "" {
			hint = "; did you mean " + near + "?"
		}
		c.wrong(key, "%q is not one of %s%s", s, strings.Join(words, ", "), hint)
		return def
	}
	return s
}

func (c *compiler) flag(key string, v any, def bool) bool {
	if v == nil {
		return def
	}
	b, ok := v.(bool)
	if !ok {
		c.wrong(key, "%v is neither true nor false", v)
		return def
	}
	return b
}

func (c *compiler) clock(key string, v any, def int) int {
	if v == nil {
		return def
	}
	m, err := parseClock(fmt.Sprint(v))
	if err != nil {
		c.wrong(key, "%v", err)
		return def
	}
	return m
}

func (c *compiler) texts(key string, v any, example string) []string {
	if v == nil {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		c.wrong(key, "want a list, like [%q]", example)
		return nil
	}
	var out []string
	for _, x := range list {
		s, ok := x.(string)
		if !ok || s == "" {
			c.wrong(key, "%v is not text; put it in quotes", x)
			continue
		}
		out = append(out, s)
	}
	return out
}

const stateDir = "/var/lib/frostline"

func (c *compiler) config(r *rawConfig) *Config {
	cfg := &Config{
		VanName:  c.text("van.name", r.Van.Name, "van"),
		StateDir: c.text("store.dir", r.Store.Dir, stateDir),
		Page:     c.page(r.Page),
		MQTT:     c.mqtt(r.MQTT),
		Webhook:  c.webhook(r.Webhook),
		Mail:     c.mail(r.Mail),
		Sounder:  c.sounder(r.Sounder),
		Price:    c.price(r.Cylinder.Price),
	}
	if cfg.StateDir == "" {
		c.wrong("store.dir", "name a directory, like %q; without one nothing outlives a restart", stateDir)
	}
	zone, err := time.LoadLocation(c.text("van.zone", r.Van.Zone, "UTC"))
	if err != nil || zone == time.Local {
		c.wrong("van.zone", "%v is not a time zone; write its name, like \"Europe/Zurich\"", r.Van.Zone)
		zone = time.UTC
	}
	wiring, wires := c.sensors(r.Sensor)
	if len(wires) > 0 {
		wiring = health(wiring, cfg)
	}
	est := estimate.Params{
		AltitudeM:  c.quantity("van.altitude", r.Van.Altitude, length, 0, -500, 6000),
		Scale:      c.scale(r.Scale, wiring),
		Cylinder:   c.cylinder(r.Cylinder),
		Appliances: c.appliances(r.Appliance),
		Regulator:  c.regulator(r.Regulator),
		Gas:        c.gas(r.Gas),
	}
	start, end := c.clock("night.start", r.Night.Start, 18*60), c.clock("night.end", r.Night.End, 10*60)
	if start == end {
		c.wrong("night.end", "the night ends when it starts; give it a length")
	}
	cfg.Board = wires
	cfg.Core = core.Params{
		Wiring:   wiring,
		Estimate: est,
		Nights: nights.Params{Zone: zone, StartMin: start, EndMin: end, HeaterKgPerH: heaterKgPerH(est.Appliances),
			DriftKgPerK: est.Scale.ZeroTCGPerK / 1000, PropaneMassFrac: est.Cylinder.PropaneMassFrac, Heaters: heaters(est.Appliances),
			HeaterEfficiencyFrac: c.efficiency(r.Appliance, est.Appliances), Loads: c.loads(r.Load)},
		Setpoints: c.setpoints(r, zone, start, end),
	}
	cfg.Core.DailyMin = dailyMin(cfg)
	cfg.Core.Setpoints.Broker, cfg.Core.Setpoints.Sounder = cfg.MQTT != nil, cfg.Sounder != nil
	return cfg
}

// heaterKgPerH is every heater at its plate's input together.
func heaterKgPerH(as []estimate.Appliance) float64 {
	var kw float64
	for _, a := range as {
		if a.Kind == estimate.Heater {
			kw += a.RatedKW
		}
	}
	net, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Net)
	return kw * 3.6 / net
}

func (c *compiler) scale(r rawScale, wiring sensors.Wiring) estimate.Scale {
	beside := sensors.Channel(c.text("scale.thermometer", r.Thermometer, string(sensors.LockerC)))
	if r.Thermometer != nil && (!beside.IsTemp() || wiring.Index(beside) < 0) {
		c.wrong("scale.thermometer", "%q is not a thermometer of this van; name the channel of a [[sensor]], like locker_c", string(beside))
	}
	return estimate.Scale{
		Thermometer:   beside,
		CountsPerKg:   c.quantity("scale.counts_per_mass", r.CountsPerMass, countsPer, 0, -1e7, 1e7),
		ZeroCounts:    c.quantity("scale.zero", r.Zero, counts, 0, -1<<23, 1<<23),
		CalibratedAtC: c.quantity("scale.calibrated_at", r.CalibratedAt, temperature, 20, -30, 50),
		CapacityKg:    c.quantity("scale.capacity", r.Capacity, mass, 50, 5, 500),
		ZeroTCGPerK:   c.quantity("scale.zero_drift", r.ZeroDrift, massPerK, 2.5, 0, 100),
		SpanTCPPMPerK: c.quantity("scale.span_drift", r.SpanDrift, ppmPerK, 50, 0, 1000),
		CreepPct30min: c.quantity("scale.creep", r.Creep, percent, 0.08, 0, 1),
		SpanSDFrac:    c.quantity("scale.span_error", r.SpanError, percent, 0, 0, 10) / 100,
		ZeroSDKg:      c.quantity("scale.zero_error", r.ZeroError, mass, 0, 0, 5),
		RatedMVPerV:   c.quantity("scale.rated_output", r.RatedOutput, bridge, 0, 0.1, 10),
	}
}

func (c *compiler) cylinder(r rawCylinder) estimate.Cylinder {
	cyl := estimate.Cylinder{
		TareKg:     c.quantity("cylinder.tare", r.Tare, mass, 0, 1, 80),
		TareSDKg:   c.quantity("cylinder.tare_error", r.TareError, mass, 0.12, 0.001, 2),
		CapacityKg: c.quantity("cylinder.capacity", r.Capacity, mass, 0, 0.4, 50),
	}
	cyl.Shape = c.shape(r, cyl.CapacityKg)
	if s, ok := supply.Named(c.text("cylinder.size", r.Size, "")); ok && cyl.CapacityKg == 0 && s.FillKg <= 50 {
		cyl.CapacityKg = s.FillKg
	}
	// The stamp rules; but one that no filler may follow is a slip of a number.
	if most, ok := lpg.Pure(lpg.Propane).FillLimitKg(cyl.Shape.VolumeL); ok && cyl.CapacityKg > 1.05*most {
		c.wrong("cylinder.capacity", "%.1f kg do not fit into %.1f L of water capacity, which take %.1f kg of propane; look at the collar again", cyl.CapacityKg, cyl.Shape.VolumeL, most)
	}
	blend := estimate.Blend(c.oneOf("cylinder.blend", r.Blend, "unknown", "propane", "mix", "unknown"))
	cyl.PropaneMassFrac, _ = blend.PropaneMassFrac()
	return cyl
}

// shape is the cylinder's size, by name or by its water capacity and diameter; none is
// guessed from the fill later.
func (c *compiler) shape(r rawCylinder, fillKg float64) supply.Cylinder {
	var names []string
	for _, s := range supply.Sizes() {
		names = append(names, s.Name)
	}
	var shape supply.Cylinder
	if r.Size != nil {
		if s, ok := supply.Named(c.oneOf("cylinder.size", r.Size, names[0], names...)); ok {
			shape = s.Cylinder()
		}
	}
	waterL := c.quantity("cylinder.water_capacity", r.Water, volume, 0, 1, 500)
	outsideMM := c.quantity("cylinder.diameter", r.Diameter, diameter, 0, 100, 1000)
	if waterL == 0 && outsideMM == 0 {
		return shape
	}
	if !shape.Known() { // its proportions are those of a common size
		if fillKg == 0 {
			fillKg = 9.07
		}
		shape, _ = supply.Guess(fillKg)
	}
	shape, ok := shape.Resized(waterL, outsideMM)
	if !ok {
		c.wrong("cylinder.water_capacity", "no upright cylinder has this water capacity and diameter; give both as the collar and a tape say, or cylinder.size")
	}
	return shape
}

func (c *compiler) regulator(r rawRegulator) estimate.Regulator {
	stages := c.number("regulator.stages", r.Stages, 1, 1, 2)
	if stages != 1 && stages != 2 {
		c.wrong("regulator.stages", "%v stages: write 1 or 2", stages)
	}
	return estimate.Regulator{TwoStage: stages == 2,
		LeastGaugeKPa: c.quantity("regulator.least_inlet", r.LeastInlet, gauge, supply.LeastInletGaugeKPa, 5, 500)}
}

func (c *compiler) appliances(list []rawAppliance) []estimate.Appliance {
	var out []estimate.Appliance
	for i, r := range list {
		key := func(k string) string { return fmt.Sprintf("appliance.%d.%s", i, k) }
		a := estimate.Appliance{
			Name:    c.text(key("name"), r.Name, ""),
			Kind:    estimate.ApplianceKind(c.oneOf(key("kind"), r.Kind, "burner", "heater", "burner", "water-heater")),
			RatedKW: c.quantity(key("input"), r.Input, power, 0, 0.05, 60),
			MinKW:   c.quantity(key("least"), r.Least, power, 0, 0.01, 60),
		}
		switch {
		case a.Name == "":
			c.wrong(key("name"), "every appliance needs a name")
		case slices.ContainsFunc(out, func(b estimate.Appliance) bool { return b.Name == a.Name }):
			c.wrong(key("name"), "%q stands twice", a.Name)
		}
		if a.RatedKW == 0 && r.Input == nil {
			c.wrong(key("input"), "the plate's input is missing, like \"2.2 kW\" or \"7500 BTU/h\"")
		}
		if a.MinKW > a.RatedKW {
			c.wrong(key("least"), "the least input is above the full one")
		}
		// Plates may state the gross heating value, 8.6 % above the net one; the program
		// computes on the net value.
		if c.oneOf(key("basis"), r.Basis, "net", "net", "gross") == "gross" {
			net, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Net)
			gross, _ := lpg.Pure(lpg.Propane).HeatingMJPerKg(lpg.Gross)
			a.RatedKW, a.MinKW = a.RatedKW*net/gross, a.MinKW*net/gross
		}
		out = append(out, a)
	}
	return out
}

func (c *compiler) gas(r rawGas) estimate.Gas {
	g := estimate.Gas{
		SupplyV:       c.quantity("gas.supply", r.Supply, voltage, 5, 1, 30),
		LoadOhm:       c.quantity("gas.load", r.Load, resistance, 0, 10, 1e7),
		CurveA:        c.number("gas.curve_a", r.CurveA, 0, 1e-3, 1e3),
		CurveB:        c.number("gas.curve_b", r.CurveB, 0, -2, -0.05),
		CleanAirRatio: c.number("gas.clean_air_ratio", r.CleanAirRatio, 0, 1, 100),
		R0Ohm:         c.quantity("gas.r0", r.R0, resistance, 0, 10, 1e8),
		TestMix:       c.flag("gas.test_mix", r.TestMix, false),
	}
	if (g.CurveA == 0) != (g.CurveB == 0) {
		c.wrong("gas.curve_a", "curve_a and curve_b come together or not at all")
	}
	if g.TestMix && g.R0Ohm == 0 {
		c.wrong("gas.r0", "a test mix gives an R0; without it test_mix means nothing")
	}
	return g
}

func (c *compiler) sensors(list []rawSensor) (sensors.Wiring, []hw.Wire) {
	var wiring sensors.Wiring
	var wires []hw.Wire
	for i, r := range list {
		key := func(k string) string { return fmt.Sprintf("sensor.%d.%s", i, k) }
		ch, ok := c.channel(key("channel"), r.Channel)
		if !ok {
			continue
		}
		if wiring.Index(ch) >= 0 {
			c.wrong(key("channel"), "%s is wired twice", ch)
			continue
		}
		def := 1.0
		if ch.IsTemp() || ch == sensors.HumidityPct || ch == sensors.BatteryV {
			def = 10
		} else if ch == sensors.BaroKPa {
			def = 60
		}
		period := time.Duration(c.quantity(key("period"), r.Period, duration, def, 0.1, 3600) * float64(time.Second))
		wiring = append(wiring, sensors.Wire{Channel: ch, Period: period})
		if r.Driver == nil {
			continue // known from recordings only
		}
		wires = append(wires, hw.Wire{Channel: ch, Period: period,
			Driver:    hw.Driver(c.oneOf(key("driver"), r.Driver, "iio", hw.Drivers()...)),
			Device:    c.text(key("device"), r.Device, ""),
			Label:     c.text(key("label"), r.Label, ""),
			Address:   c.text(key("address"), r.Address, ""),
			Attribute: c.text(key("attribute"), r.Attribute, ""),
			Gain:      c.number(key("gain"), r.Gain, 1, -1e6, 1e6),
			Bus:       c.text(key("bus"), r.Bus, ""),
			Line:      c.text(key("line"), r.Line, ""),
			Data:      c.text(key("data"), r.Data, ""),
			Clock:     c.text(key("clock"), r.Clock, ""),
			Invert:    c.flag(key("invert"), r.Invert, false),
			Pull:      c.text(key("pull"), r.Pull, ""),
		})
		if err := wires[len(wires)-1].Check(); err != nil {
			at := "driver"
			if k := (*hw.KeyError)(nil); errors.As(err, &k) {
				at = k.Key
			}
			c.wrong(key(at), "%v", err)
		}
	}
	return wiring, wires
}

// channel reads the name of a channel. Those the program fills in itself are known, for
// recordings, and not offered.
func (c *compiler) channel(key string, v any) (sensors.Channel, bool) {
	var offered []string
	for _, ch := range sensors.Known() {
		if v == string(ch) {
			return ch, true
		}
		if !ch.IsHealth() {
			offered = append(offered, string(ch))
		}
	}
	switch v.(type) {
	case nil:
		c.wrong(key, "say which channel this sensor is: one of %s", strings.Join(offered, ", "))
	case string:
		c.oneOf(key, v, "", offered...)
	default:
		c.text(key, v, "")
	}
	return "", false
}

// health adds the program's own channels to a wiring that is read live: what it says of
// itself is recorded and judged like any sensor.
func health(w sensors.Wiring, cfg *Config) sensors.Wiring {
	own := []sensors.Channel{sensors.ClockSynced, sensors.BoardUndervolt, sensors.StoreAgeS, sensors.StoreSizeB, sensors.StoreWrittenB}
	if cfg.MQTT != nil {
		own = append(own, sensors.BrokerLink)
	}
	if cfg.MQTT != nil || cfg.Webhook != nil || cfg.Mail != nil {
		own = append(own, sensors.OutboxN, sensors.OutboxLost)
	}
	if cfg.Sounder != nil {
		own = append(own, sensors.SounderOK)
	}
	if cfg.Webhook != nil {
		own = append(own, sensors.WebhookLink)
	}
	if cfg.Mail != nil {
		own = append(own, sensors.MailLink)
	}
	for _, ch := range own {
		if w.Index(ch) < 0 {
			w = append(w, sensors.Wire{Channel: ch, Period: 10 * time.Second})
		}
	}
	return w
}

func (c *compiler) setpoints(r *rawConfig, zone *time.Location, nightFrom, nightTo int) alerts.Setpoints {
	s := alerts.Defaults()
	s.Zone, s.NightFromMin, s.NightToMin = zone, nightFrom, nightTo
	s.PipeC = c.quantity("alarms.pipe", r.Alarms.Pipe, temperature, s.PipeC, 0, 15)
	s.BatteryV = c.quantity("alarms.battery", r.Alarms.Battery, voltage, s.BatteryV, 5, 60)
	s.QuietFromMin = c.clock("alarms.quiet_from", r.Alarms.QuietFrom, 0)
	s.QuietToMin = c.clock("alarms.quiet_to", r.Alarms.QuietTo, 0)
	s.WaterDrained = c.flag("alarms.water_drained", r.Alarms.WaterDrained, false)
	s.Stored = c.flag("alarms.stored", r.Alarms.Stored, false)
	if by := c.text("cylinder.requalify_by", r.Cylinder.RequalifyBy, ""); by != "" {
		if _, err := time.Parse("2006-01", by); err != nil {
			c.wrong("cylinder.requalify_by", "%q is not a month; write it like \"2031-05\"", by)
		}
		s.RequalifyBy = by
	}
	return s
}

func (c *compiler) page(r rawPage) Page {
	p := Page{Listen: c.text("page.listen", r.Listen, "127.0.0.1:8460"), Hosts: c.texts("page.hosts", r.Hosts, "van.local"),
		Metrics: c.flag("page.metrics", r.Metrics, false)}
	local := true
	if p.Listen != "" {
		host, port, err := net.SplitHostPort(p.Listen)
		if n, e := strconv.Atoi(port); err != nil || port == "" || e == nil && (n < 0 || n > 65535) {
			c.wrong("page.listen", "%q is not host:port; write it like \"127.0.0.1:8460\"", p.Listen)
		}
		local = host == "localhost" || net.ParseIP(host).IsLoopback()
	}
	p.Commands = c.flag("page.commands", r.Commands, true)
	p.Pair, p.Glance = c.flag("page.pair", r.Pair, !local), c.flag("page.glance", r.Glance, false)
	if !p.Pair && !local {
		c.wrong("page.pair", "%s is beyond this board, where everybody on the network would be the van's owner; leave pair out, and set glance = true if all may look", p.Listen)
	}
	p.MetricsTokenFile = c.text("page.metrics_token_file", r.MetricsToken, "")
	p.CertFile, p.KeyFile = c.text("page.cert_file", r.CertFile, ""), c.text("page.key_file", r.KeyFile, "")
	if (p.CertFile == "") != (p.KeyFile == "") {
		c.wrong("page.cert_file", "cert_file and key_file come together")
	}
	return p
}

var deviceID = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?$`)

func (c *compiler) mqtt(r *rawMQTT) *MQTT {
	if r == nil {
		return nil
	}
	m := &MQTT{
		Broker: c.text("mqtt.broker", r.Broker, ""), Device: c.text("mqtt.device", r.Device, ""),
		Domain: c.text("mqtt.domain", r.Domain, "homie"), Events: c.text("mqtt.events", r.Events, ""),
		User: c.text("mqtt.user", r.User, ""), PasswordFile: c.text("mqtt.password_file", r.PasswordFile, ""),
		CAFile: c.text("mqtt.ca_file", r.CAFile, ""), CertFile: c.text("mqtt.cert_file", r.CertFile, ""),
		KeyFile: c.text("mqtt.key_file", r.KeyFile, ""),
	}
	u, err := url.Parse(m.Broker)
	switch {
	case err != nil || u.Host == "" || (u.Scheme != "tcp" && u.Scheme != "tls"):
		c.wrong("mqtt.broker", "%q is not a broker; write it like \"tcp://127.0.0.1:1883\" or \"tls://broker.example:8883\"", m.Broker)
	case u.User != nil:
		c.wrong("mqtt.broker", "secrets do not belong here; use mqtt.user and mqtt.password_file")
	case u.Scheme == "tcp" && u.Hostname() != "localhost" && !net.ParseIP(u.Hostname()).IsLoopback():
		c.wrong("mqtt.broker", "%s is beyond this board, so its traffic must be encrypted; write tls:// and give mqtt.ca_file if its certificate is your own", u.Host)
	}
	if m.Device != "" && !deviceID.MatchString(m.Device) {
		c.wrong("mqtt.device", "%q may hold only a-z, 0-9 and inner hyphens", m.Device)
	}
	if (m.CertFile == "") != (m.KeyFile == "") {
		c.wrong("mqtt.cert_file", "cert_file and key_file come together")
	}
	return m
}

func (c *compiler) sounder(r *rawSounder) *Sounder {
	if r == nil {
		return nil
	}
	s := &Sounder{Line: c.text("sounder.line", r.Line, ""), LED: c.text("sounder.led", r.LED, ""),
		Invert: c.flag("sounder.invert", r.Invert, false), Tested: c.flag("sounder.tested", r.Tested, false)}
	if s.Line == "" {
		c.wrong("sounder.line", "name the GPIO line of the sounder, as the kernel lists it")
	}
	return s
}
