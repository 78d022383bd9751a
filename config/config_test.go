package config

import (
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"frostline/sensors"
)

func TestReferenceIsValidAndNamesEveryKey(t *testing.T) {
	cfg, err := Parse("reference.toml", []byte(Reference))
	if err != nil {
		t.Fatalf("the reference file must be valid as it stands:\n%v", err)
	}
	driven := 0
	for _, w := range cfg.Core.Wiring {
		if !w.Channel.IsHealth() {
			driven++
		}
	}
	if cfg.Core.Wiring.Index(sensors.GasV) < 0 || len(cfg.Board) != driven {
		t.Errorf("want every sensor of the reference wired and driven, got %d of %d", len(cfg.Board), driven)
	}
	for _, ch := range []sensors.Channel{sensors.BrokerLink, sensors.SounderOK, sensors.WebhookLink, sensors.MailLink, sensors.OutboxN} {
		if cfg.Core.Wiring.Index(ch) < 0 {
			t.Errorf("broker, sounder, webhook and mail are configured, so %s must be wired", ch)
		}
	}
	at := positions([]byte(Reference))
	named := map[string]bool{}
	for key := range at {
		parts := strings.Split(key, ".")
		if len(parts) > 1 {
			named[parts[0]+"."+parts[len(parts)-1]] = true
		}
	}
	root := reflect.TypeFor[rawConfig]()
	for _, table := range keysOf(root) {
		for _, key := range keysOf(tableType(root, table)) {
			if full := table + "." + key; !named[full] {
				if !strings.Contains(Reference, "\n# "+key+" = ") { // one of two ways to do a thing
					t.Errorf("%s is a key but the reference file does not name it", full)
				}
			}
		}
	}
}

func TestEveryProblemIsSaidAtOnceWithLineAndCure(t *testing.T) {
	const file = `[van]
nmae = "Larch"
zone = "Mars/Olympus"
altitude = "9.1 kg"
[scale]
counts_per_mass = 42900
zero = "52000"
[cylinder]
tare = "-3 kg"
blend = "propan"
[[appliance]]
kind = "heater"
input = "1.9"
[[appliance]]
name = "stove"
kind = "burner"
[sensro]
x = 1
[page]
listen = "8460"
[mqtt]
broker = "tcp://192.0.2.7:1883"
[webhook]
url = "http://192.0.2.7/hidden"
secret = "whsec_hidden"
[mail]
server = "mail.example.org"
from = "nobody"
to = "me@example.net"
user = "van"
`
	_, err := Parse("van.toml", []byte(file))
	if err == nil {
		t.Fatal("a file full of mistakes was taken")
	}
	got := err.Error()
	for _, want := range []string{
		`van.toml:2: van.nmae: is not a key of frostline; did you mean name?`,
		`van.toml:3: van.zone: Mars/Olympus is not a time zone`,
		`van.toml:4: van.altitude: "9.1 kg": kg is not a unit of a length; take one of m, ft`,
		`van.toml:6: scale.counts_per_mass: 42900 has no unit`,
		`van.toml:7: scale.zero: "52000" has no unit; write it like "52000 counts"`,
		`van.toml:9: cylinder.tare: -3 kg is out of range`,
		`van.toml:10: cylinder.blend: "propan" is not one of propane, mix, unknown; did you mean propane?`,
		`van.toml:11: appliance.0.name: every appliance needs a name`,
		`van.toml:13: appliance.0.input: "1.9" has no unit`,
		`van.toml:14: appliance.1.input: the plate's input is missing`,
		`sensro`,
		`van.toml:20: page.listen: "8460" is not host:port`,
		`van.toml:22: mqtt.broker: 192.0.2.7:1883 is beyond this board, so its traffic must be encrypted`,
		`van.toml:24: webhook.url: 192.0.2.7 is beyond this board, so its traffic must be encrypted; write https://`,
		`van.toml:25: webhook.secret: is not a key of frostline; did you mean secret_file?`,
		`van.toml:23: webhook.secret_file: name a file`,
		`van.toml:27: mail.server: write the server like "smtps://`,
		`van.toml:28: mail.from: "nobody" is not one address`,
		`van.toml:29: mail.to: want a list`,
		`van.toml:30: mail.user: user and password_file come together`,
	} {
		if !strings.Contains(got, want) {
			t.Errorf("missing: %s", want)
		}
	}
	if strings.Contains(got, "hidden") {
		t.Error("a secret is said aloud")
	}
	if t.Failed() {
		t.Logf("got:\n%s", got)
	}
}

func TestASensorsSettingIsWrongAtItsOwnLine(t *testing.T) {
	const file = `[[sensor]]
channel = "gas_v"
driver = "i2c"
device = "ads1115"
address = "0x76"
[[sensor]]
channel = "load_counts"
driver = "hx711"
data = "GPIO23"
[[sensor]]
channel = "ack_button"
driver = "gpio"
line = "GPIO5"
pull = "sideways"
[[sensor]]
channel = "heat_call"
driver = "gpio"
line = "GPIO6"
gain = 2
[[sensor]]
channel = "ignition"
driver = "gpoi"
line = "GPIO7"
[[sensor]]
channel = "co_alarm"
driver = "gpio"
line = 7
invert = "yes"
`
	_, err := Parse("van.toml", []byte(file))
	if err == nil {
		t.Fatal("a file full of mistakes was taken")
	}
	for _, want := range []string{
		`van.toml:5: sensor.0.address: address "0x76" is not one an ads1115 can have: 0x48, 0x49, 0x4a, 0x4b`,
		`van.toml:9: sensor.1.data: hx711 needs data and clock`,
		`van.toml:14: sensor.2.pull: pull "sideways" is not one of up, down, none`,
		`van.toml:19: sensor.3.gain: gain means nothing to driver gpio`,
		`van.toml:22: sensor.4.driver: "gpoi" is not one of iio, hwmon, w1, i2c, hx711, gpio; did you mean gpio?`,
		`van.toml:27: sensor.5.line: 7 is not text`,
		`van.toml:28: sensor.5.invert: yes is neither true nor false`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in:\n%v", want, err)
		}
	}
}

func TestQuantitiesAreReadInTheUnitsPeopleUse(t *testing.T) {
	for _, c := range []struct {
		d    dimension
		text string
		want float64
	}{
		{mass, "9.1 kg", 9.1}, {mass, "20 lb", 9.0718474}, {mass, "120 g", 0.12}, {mass, "9.1kg", 9.1},
		{power, "2.2 kW", 2.2}, {power, "7500 BTU/h", 2.198033}, // 30000 Btu/h = 8.792 kW, physics.md 8
		{power, "30000 BTU/h", 8.792},
		{temperature, "-15 C", -15}, {temperature, "5 F", -15}, {temperature, "-40 F", -40}, {temperature, "1e1 C", 10},
		{countsPer, "42 counts/g", 42000}, {duration, "10 min", 600},
	} {
		got, err := c.d.parse(c.text)
		if err != nil || math.Abs(got-c.want) > 5e-4*max(1, math.Abs(c.want)) {
			t.Errorf("%q: got %v, %v, want %v", c.text, got, err, c.want)
		}
	}
	for _, text := range []string{"", "kg", "9.1", "9,1 kg", "NaN kg", "1e999 kg", "nine kg", "0x10 kg", "9.1 stone"} {
		if v, err := mass.parse(text); err == nil {
			t.Errorf("%q was taken as %v kg", text, v)
		}
	}
}

func TestAPlateOnTheGrossValueIsBroughtToTheNetOne(t *testing.T) {
	cfg, err := Parse("x", []byte("[[appliance]]\nname=\"h\"\nkind=\"heater\"\ninput=\"30000 BTU/h\"\nbasis=\"gross\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	// 30000 Btu/h on the gross value is 0.6289 kg/h, physics.md 8.
	if got := cfg.Core.Nights.HeaterKgPerH; math.Abs(got-0.6289) > 5e-4 {
		t.Errorf("heater burns %.4f kg/h, want 0.6289", got)
	}
}

func TestADefaultFileListensToNobodyBeyondTheBoard(t *testing.T) {
	cfg, err := Parse("x", nil)
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Page.Listen != "127.0.0.1:8460" || cfg.MQTT != nil || cfg.Page.Metrics || cfg.Sounder != nil {
		t.Errorf("an empty file must leave everything networked off, got %+v", cfg)
	}
	if cfg.Page.Pair || cfg.Page.Glance {
		t.Errorf("on the board alone nobody needs pairing, got %+v", cfg.Page)
	}
}

func TestBeyondTheBoardEveryPhoneIsPaired(t *testing.T) {
	for text, want := range map[string]Page{
		"listen=\"0.0.0.0:8460\"":                 {Listen: "0.0.0.0:8460", Commands: true, Pair: true},
		"listen=\"[::]:8460\"\nglance=true":       {Listen: "[::]:8460", Commands: true, Pair: true, Glance: true},
		"listen=\"192.168.4.1:8460\"\npair=true":  {Listen: "192.168.4.1:8460", Commands: true, Pair: true},
		"listen=\"localhost:8460\"\npair=true":    {Listen: "localhost:8460", Commands: true, Pair: true},
		"listen=\"127.0.0.2:8460\"\npair=false":   {Listen: "127.0.0.2:8460", Commands: true},
		"cert_file=\"c.pem\"\nkey_file=\"k.pem\"": {Listen: "127.0.0.1:8460", Commands: true, CertFile: "c.pem", KeyFile: "k.pem"},
	} {
		cfg, err := Parse("x", []byte("[page]\n"+text+"\n"))
		if err != nil || !reflect.DeepEqual(cfg.Page, want) {
			t.Errorf("%s: %v, %v; want %+v", text, cfg, err, want)
		}
	}
	for text, want := range map[string]string{
		"listen=\"0.0.0.0:8460\"\npair=false": "x:3: page.pair: 0.0.0.0:8460 is beyond this board",
		"listen=\":8460\"\npair=false":        "x:3: page.pair: :8460 is beyond this board",
		"cert_file=\"c.pem\"":                 "cert_file and key_file come together",
	} {
		if _, err := Parse("x", []byte("[page]\n"+text+"\n")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", text, err, want)
		}
	}
}

func TestSensorsBringTheirUsualPeriod(t *testing.T) {
	cfg, err := Parse("x", []byte("[[sensor]]\nchannel=\"cabin_c\"\n[[sensor]]\nchannel=\"baro_kpa\"\nperiod=\"30 s\"\n[[sensor]]\nchannel=\"gas_v\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []time.Duration{10 * time.Second, 30 * time.Second, time.Second} {
		if got := cfg.Core.Wiring[i].Period; got != want {
			t.Errorf("%s every %v, want %v", cfg.Core.Wiring[i].Channel, got, want)
		}
	}
	if len(cfg.Board) != 0 {
		t.Error("channels without a driver must not be opened")
	}
}

func TestAMissingFileIsNamed(t *testing.T) {
	_, err := Load(filepath.Join(t.TempDir(), "none.toml"))
	if !os.IsNotExist(unwrap(err)) || !strings.Contains(err.Error(), "none.toml") {
		t.Errorf("got %v", err)
	}
}

func unwrap(err error) error {
	for {
		u, ok := err.(interface{ Unwrap() error })
		if !ok {
			return err
		}
		if os.IsNotExist(err) {
			return err
		}
		err = u.Unwrap()
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(Reference))
	f.Add([]byte("[scale]\nzero = \"1 counts\"\n[[sensor]]\nchannel=\"gas_v\""))
	f.Add([]byte("a.b.c = [1,\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		cfg, err := Parse("fuzz.toml", text)
		if (cfg == nil) == (err == nil) {
			t.Fatalf("want a configuration or its problems, got %v and %v", cfg, err)
		}
		if err != nil && err.Error() == "" {
			t.Fatal("an error without a word")
		}
	})
}

func TestACylinderIsSizedByNameOrByItsCollar(t *testing.T) {
	for text, want := range map[string]struct{ waterL, diameterM float64 }{
		"capacity = \"9.1 kg\"\n":                              {0, 0}, // guessed later, also for the next one
		"size = \"de-11kg\"\n":                                 {27.2, 0.300 - 2*0.0026},
		"water_capacity = \"27.2 L\"\ndiameter = \"300 mm\"\n": {27.2, 0.300 - 2*0.0026},
		"size = \"us-20lb\"\ndiameter = \"12 in\"\n":           {21.61, 0.3048 - 2*0.0026},
		"capacity = \"5 kg\"\nwater_capacity = \"11.75 L\"\n":  {11.75, 0.2249},
	} {
		cfg, err := Parse("x", []byte("[cylinder]\n"+text))
		if err != nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		got := cfg.Core.Estimate.Cylinder.Shape
		if math.Abs(got.VolumeL-want.waterL) > 0.01 || math.Abs(got.DiameterM-want.diameterM) > 0.002 {
			t.Errorf("%q makes %.2f L and %.4f m, want %.2f and %.4f", text, got.VolumeL, got.DiameterM, want.waterL, want.diameterM)
		}
	}
	for text, want := range map[string]string{
		"[cylinder]\nsize = \"de-11\"\n":                                `"de-11" is not one of us-5lb`,
		"[cylinder]\nwater_capacity = \"5 L\"\ndiameter = \"318 mm\"\n": "no upright cylinder has this water capacity",
		"[cylinder]\nsize = \"de-5kg\"\ncapacity = \"11 kg\"\n":         "do not fit into 11.8 L",
		"[regulator]\nstages = 3\n":                                     "must lie between 1 and 2",
		"[regulator]\nstages = 1.5\n":                                   "write 1 or 2",
		"[regulator]\nleast_inlet = \"11 inches\"\n":                    "is not a unit of a gauge pressure",
	} {
		if _, err := Parse("x", []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	cfg, err := Parse("x", []byte("[regulator]\nstages = 2\nleast_inlet = \"10 psi\"\n"))
	if err != nil || !cfg.Core.Estimate.Regulator.TwoStage || math.Abs(cfg.Core.Estimate.Regulator.LeastGaugeKPa-68.95) > 0.01 {
		t.Errorf("two stages and 10 psi read as %+v, %v", cfg.Core.Estimate.Regulator, err)
	}
}

func TestTheScaleMayGoByAnotherThermometer(t *testing.T) {
	sensor := "[[sensor]]\nchannel = \"cabin_c\"\n"
	cfg, err := Parse("van.toml", []byte("[scale]\nthermometer = \"cabin_c\"\nrated_output = \"2 mV/V\"\n"+sensor))
	if err != nil || cfg.Core.Estimate.Scale.Thermometer != "cabin_c" || cfg.Core.Estimate.Scale.RatedMVPerV != 2 {
		t.Errorf("%v", err)
	}
	for _, name := range []string{"outside_c", "gas_v", "nonsense"} {
		if _, err := Parse("van.toml", []byte("[scale]\nthermometer = \""+name+"\"\n"+sensor)); err == nil || !strings.Contains(err.Error(), "is not a thermometer of this van") {
			t.Errorf("%s: %v", name, err)
		}
	}
	// A load cell without numbers is calibrated later: no reason not to watch for gas.
	if _, err := Parse("van.toml", []byte("[[sensor]]\nchannel = \"load_counts\"\n")); err != nil {
		t.Errorf("a scale without numbers: %v", err)
	}
}
