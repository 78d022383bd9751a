package web

import (
	"bytes"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"frostline/daemon/estimate"
	"frostline/daemon/nights"
)

func registryOf(t *testing.T, s *Server) *prometheus.Registry {
	t.Helper()
	own := prometheus.NewPedanticRegistry()
	if err := own.Register(newCollector(s)); err != nil {
		t.Fatal(err)
	}
	return own
}

func TestMetricsOfAQuietEvening(t *testing.T) {
	s := pageFor(quietEvening())
	golden, err := os.ReadFile("testdata/metrics.prom")
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, m := range metricNames() {
		if m.name != "frostline_build_info" && m.name != "frostline_alarm_state" { // the toolchain and the long list have tests of their own
			names = append(names, m.name)
		}
	}
	if err := testutil.GatherAndCompare(registryOf(t, s), bytes.NewReader(golden), names...); err != nil {
		t.Error(err)
	}
}

func TestAnUnknownNumberHasNoSeries(t *testing.T) {
	snap := quietEvening()
	snap.Est.FuelKg = estimate.Unknown("load cell silent")
	snap.Est.ClockTrusted = false
	body := ask(pageFor(snap), "GET", "/metrics", "").Body.String()
	for _, gone := range []string{"frostline_fuel_remaining", `location="pipe"`, "frostline_gas_lel_ratio", "frostline_battery_volts", "timestamp_seconds"} {
		if strings.Contains(body, "\n"+gone) || strings.Contains(body, "{"+gone) {
			t.Errorf("%s is unknown and yet has a series", gone)
		}
	}
	for _, want := range []string{`frostline_sensor_up{sensor="waterline_c"} 0`, `frostline_sensor_up{sensor="gas_v"} 1`, "frostline_clock_synchronized 0", "frostline_burn_grams_per_second{"} {
		if !strings.Contains(body, want) {
			t.Errorf("metrics lack %s", want)
		}
	}
	if strings.Contains(body, "NaN") || strings.Contains(body, "Inf") {
		t.Error("a number is not a number")
	}
}

func TestAHeatLossThatWasLearnedHasSeriesAndATypicalOneHasNone(t *testing.T) {
	for n, want := range map[int]bool{10: true, 2: false} {
		snap, _ := costly(t, n)
		body := ask(pageFor(snap), "GET", "/metrics", "").Body.String()
		for _, name := range []string{"", "_low", "_high"} {
			if got := strings.Contains(body, "\nfrostline_heat_loss"+name+"_watts_per_kelvin "); got != want {
				t.Errorf("after %d nights: frostline_heat_loss%s_watts_per_kelvin there: %v, want %v", n, name, got, want)
			}
		}
	}
}

func TestForecastsThatNobodyJudgedHaveNoShare(t *testing.T) {
	snap := quietEvening()
	snap.Forecasts = nights.Calibration{WiderRatio: 1}
	body := ask(pageFor(snap), "GET", "/metrics", "").Body.String()
	if strings.Contains(body, "\nfrostline_forecast_held_ratio") || strings.Contains(body, "_error_grams ") || !strings.Contains(body, "\nfrostline_forecast_nights 0\n") {
		t.Errorf("no night has judged a forecast, and metrics say otherwise")
	}
}

func TestAStaleSnapshotRepeatsNoOldValue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		time.Sleep(staleAfter + time.Second)
		body := ask(s, "GET", "/metrics", "").Body.String()
		for _, gone := range []string{"frostline_fuel_remaining", "frostline_burn", "frostline_temperature"} {
			if strings.Contains(body, gone) {
				t.Errorf("stale metrics still hold %s", gone)
			}
		}
		for _, want := range []string{`frostline_sensor_up{sensor="gas_v"} 0`, `frostline_gas_band{frostline_gas_band="blind"} 1`,
			`frostline_gas_band{frostline_gas_band="background"} 0`, "frostline_fuel_consumed_grams_total{"} {
			if !strings.Contains(body, want) {
				t.Errorf("stale metrics lack %s", want)
			}
		}
	})
}

func TestAStateSetHasExactlyOneState(t *testing.T) {
	body := ask(pageFor(quietEvening()), "GET", "/metrics", "").Body.String()
	for set, members := range map[string]int{`frostline_gas_band{`: 5, `frostline_regulator_freeze_risk{`: 3, `frostline_alarm_state{alarm="gas-leave",`: 9} {
		ones, all := 0, 0
		for _, line := range strings.Split(body, "\n") {
			if strings.HasPrefix(line, set) {
				all++
				if strings.HasSuffix(line, " 1") {
					ones++
				}
			}
		}
		if ones != 1 || all != members {
			t.Errorf("%s: %d of %d states hold, want 1 of %d", set, ones, all, members)
		}
	}
}

func TestWhatIsNotAssessedIsAbsent(t *testing.T) {
	snap := quietEvening()
	e := *snap.Est
	unknown := estimate.Unknown("the blend is not entered")
	e.Freeze = estimate.Freeze{Risk: "not-assessed", Why: "the blend is not entered"}
	e.SeatMarginK, e.CylinderKPa, e.CylinderGaugeKPa, e.SupplyRatio, e.VapourKgPerH = unknown, unknown, unknown, unknown, unknown
	snap.Est = &e
	body := ask(pageFor(snap), "GET", "/metrics", "").Body.String()
	for _, gone := range []string{"freeze_risk", "seat_margin", "cylinder_pressure", "cylinder_overpressure", "supply", "vapour_capacity"} {
		if strings.Contains(body, "\nfrostline_"+gone) || strings.Contains(body, "frostline_regulator_"+gone) {
			t.Errorf("metrics still hold %s", gone)
		}
	}
	if !strings.Contains(body, "frostline_fuel_remaining_grams{") {
		t.Error("the fuel went with it")
	}
}

func TestMetricNamesKeepToOurUnits(t *testing.T) {
	ending := regexp.MustCompile(`_(grams|grams_total|grams_per_second|ratio|watts_per_kelvin|kelvin|pascals|celsius|volts|bytes|bytes_total|timestamp_seconds|after_seconds|info)$`)
	unitless := regexp.MustCompile(`^frostline_(fuel_nights_left(_low|_high)?|forecast_nights|tonight_enough|regulator_freeze_risk|gas_band|alarm_state|sensor_up|clock_synchronized|mqtt_connected|message_path_up|outbox_messages|(cylinder_changes|clock_steps|nights|boots|outbox_lost_messages|sensor_reads|sensor_read_errors)_total)$`)
	for _, m := range metricNames() {
		if !ending.MatchString(m.name) && !unitless.MatchString(m.name) {
			t.Errorf("%s ends in no unit of ours", m.name)
		}
		if !strings.HasPrefix(m.name, "frostline_") || m.help == "" || !strings.HasSuffix(m.help, ".") {
			t.Errorf("%s: want our prefix and a sentence of help", m.name)
		}
		for _, label := range m.labels {
			if slices.Contains([]string{"type", "env", "service", "region", "customer", "owner", "van", "site", "quantile", "le"}, label) {
				t.Errorf("%s carries the label %s", m.name, label)
			}
		}
	}
}

func TestPromtoolFindsNothingToMend(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("FROSTLINE_NO_SKIP") == "" {
			t.Skip("promtool is not installed")
		}
		t.Fatal("promtool is not installed and skipping is forbidden")
	}
	for name, s := range map[string]*Server{"quiet": pageFor(quietEvening()), "fresh": pageFor(nil)} {
		body := ask(s, "GET", "/metrics", "").Body
		t.Logf("%s: %d bytes", name, body.Len())
		check := exec.Command(tool, "check", "metrics")
		check.Stdin = body
		if out, err := check.CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("%s: promtool check metrics: %v\n%s", name, err, out)
		}
	}
}
