package hw

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"frostline/sensors"
)

var (
	bridge = Wire{Channel: sensors.LoadCounts, Driver: IIO, Device: "nau7802", Attribute: "in_voltage0_raw"}
	cabin  = Wire{Channel: sensors.CabinC, Driver: Hwmon, Device: "tmp102"}
	pipe   = Wire{Channel: sensors.WaterlineC, Driver: W1, Address: "28-0000072f1a3c", Attribute: "temperature"}
)

// layVan lays a bridge, a thermometer chip and a 1-wire thermometer on three buses.
func layVan(tr tree) (bridgeDir, cabinDir, pipeDir string) {
	return tr.plug(IIO, "i2c-1/1-002a", "iio:device0", files{"name": "nau7802\n", "in_voltage0_raw": "1000\n"}),
		tr.plug(Hwmon, "i2c-2/2-0048/hwmon", "hwmon0", files{"name": "tmp102\n", "temp1_input": "17250\n"}),
		tr.plug(W1, "w1_bus_master1", "28-0000072f1a3c", files{"temperature": "3562\n"})
}

func TestAChannelIsReadAtItsPeriodAndMissingInBetween(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tr := newTree(t)
		layVan(tr)
		slow := cabin
		slow.Period = 10 * time.Second
		b := open(t, tr.root, bridge, slow)
		defer b.Close()
		var bridges, cabins int
		for range 60 {
			time.Sleep(time.Second)
			synctest.Wait()
			r := read(t, b, 2)
			if r[0].Quality == sensors.Good {
				bridges++
			}
			if r[1].Quality == sensors.Good {
				cabins++
			}
		}
		if bridges < 59 || cabins < 6 || cabins > 7 {
			t.Errorf("in a minute %d of the bridge and %d of the cabin, want 60 and 6", bridges, cabins)
		}
	})
}

func TestADeviceThatComesBackUnderAnotherNumberIsFoundAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tr := newTree(t)
		dir, _, _ := layVan(tr)
		b := open(t, tr.root, bridge)
		defer b.Close()
		at := func() sensors.Reading {
			time.Sleep(2 * time.Second)
			synctest.Wait()
			return read(t, b, 1)[0]
		}
		if r := at(); r.Value != 1000 {
			t.Fatalf("got %+v", r)
		}
		tr.unplug(dir)
		if r := at(); r.Quality != sensors.Bad || r.Fault != missing {
			t.Errorf("a cut lead reads %+v, want !%s", r, missing)
		}
		// Another chip has taken the number since.
		tr.plug(IIO, "i2c-1/1-0076", "iio:device0", files{"name": "bmp280\n", "in_voltage0_raw": "5\n"})
		tr.plug(IIO, "i2c-1/1-002a", "iio:device3", files{"name": "nau7802\n", "in_voltage0_raw": "2000\n"})
		if r := at(); r.Value != 2000 || r.Quality != sensors.Good {
			t.Errorf("mended it reads %+v, want 2000", r)
		}
	})
}

// A read that never returns costs its own bus and nothing else. The pipe is real, so this
// runs in real time, in the tens of milliseconds.
func TestAReadThatHangsHoldsNoOtherBusNorTheTickNorTheEnd(t *testing.T) {
	tr := newTree(t)
	_, cabinDir, _ := layVan(tr)
	release := tr.hang(cabinDir, "temp1_input")
	fast := bridge
	fast.Period = 5 * time.Millisecond
	b := open(t, tr.root, fast, cabin, pipe)
	good := 0
	for deadline := time.Now().Add(time.Minute); good < 20 && time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		if r := read(t, b, 3); r[0].Quality == sensors.Good {
			good++
		}
	}
	if good < 20 {
		t.Errorf("%d readings of the bridge while another bus hangs", good)
	}
	b.Close()
	if _, err := b.Read(t.Context(), make([]sensors.Reading, 3)); !errors.Is(err, io.EOF) {
		t.Errorf("a closed board reads on: %v", err)
	}
	release()
}

// The same with a made-up read, to see what is said of the hanging one and of its bus.
func TestAStuckBusIsSaidEachPeriodUntilItAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tr := newTree(t)
		layVan(tr)
		tr.put("devices/w1_bus_master1/28-0000072f2b4d", files{"temperature": "1000\n"})
		if err := os.Symlink("../../../devices/w1_bus_master1/28-0000072f2b4d", filepath.Join(tr.root, deviceFolder(W1), "28-0000072f2b4d")); err != nil {
			t.Fatal(err)
		}
		second := Wire{Channel: sensors.OutsideC, Driver: W1, Address: "28-0000072f2b4d", Attribute: "temperature"}
		mended := make(chan struct{})
		wires := every(bridge, pipe, second)
		b, err := Open(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...), read: func(path string) ([]byte, error) {
			if strings.Contains(path, "28-0000072f1a3c/temperature") {
				<-mended
			}
			return os.ReadFile(path)
		}})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		words := map[string]int{}
		for range 20 {
			time.Sleep(time.Second)
			synctest.Wait()
			r := read(t, b, 3)
			if r[0].Quality != sensors.Good {
				t.Errorf("the bridge, on another bus, reads %+v", r[0])
			}
			words[r[1].Fault]++
			words["second "+r[2].Fault]++
		}
		if words[stuck] < 15 || words["second "+held] < 14 {
			t.Errorf("said %v, want !%s of the hanging one and !%s of its neighbour each second", words, stuck, held)
		}
		close(mended)
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if r := read(t, b, 3); r[1].Value != 3.5625 || r[2].Value != 1 {
			t.Errorf("after it answered: %+v", r)
		}
	})
}

func TestOtherWiresAreReadAfterAChangeAndTheClockGoesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tr := newTree(t)
		layVan(tr)
		b := open(t, tr.root, bridge)
		defer b.Close()
		time.Sleep(time.Hour)
		wires := every(cabin)
		if err := b.Rewire(Options{Root: tr.root, Wires: wires, Wiring: wiringOf(wires...)}); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		into := make([]sensors.Reading, 1)
		st, err := b.Read(t.Context(), into)
		if err != nil || into[0].Value != 17.25 || st.Up != time.Hour {
			t.Errorf("got %+v at %v, %v, want 17.25 after an hour", into[0], st.Up, err)
		}
		if err := b.Rewire(Options{Wires: every(bridge), Wiring: nil}); err == nil {
			t.Error("a wire to a channel the van does not have was taken")
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if r := read(t, b, 1)[0]; r.Value != 17.25 {
			t.Errorf("after a refused change the old wires read %+v", r)
		}
	})
}

func TestTheClockAndTheBoardsSupplyAreReadWhenWired(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tr := newTree(t)
		tr.plug(Hwmon, "platform/soc", "hwmon1", files{"name": undervoltDevice + "\n", "in0_lcrit_alarm": "1\n"})
		w := sensors.Wiring{{Channel: sensors.ClockSynced, Period: 10 * time.Second}, {Channel: sensors.BoardUndervolt, Period: 10 * time.Second}}
		b, err := Open(Options{Root: tr.root, Wiring: w, clock: func() sensors.Reading { return sensors.Of(1) }})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		synctest.Wait()
		if r := read(t, b, 2); r[0].Value != 1 || r[1].Value != 1 {
			t.Errorf("got %+v, want both 1", r)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		w := sensors.Wiring{{Channel: sensors.BoardUndervolt, Period: 10 * time.Second}}
		b, err := Open(Options{Root: t.TempDir(), Wiring: w})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		synctest.Wait()
		if r := read(t, b, 1)[0]; r.Quality != sensors.Missing {
			t.Errorf("a board without that watch reads %+v, want nothing", r)
		}
	})
}

func TestTheClockIsJudgedByServiceAndKernel(t *testing.T) {
	run := t.TempDir()
	service := filepath.Join(run, "systemd/timesync")
	flag := func(synced bool, err error) func() (bool, error) { return func() (bool, error) { return synced, err } }
	if r := clockSynced(flag(true, nil), run); r.Value != 1 {
		t.Errorf("steered by somebody: %+v", r)
	}
	if r := clockSynced(flag(false, nil), run); r.Quality != sensors.Good || r.Value != 0 {
		t.Errorf("steered by nobody: %+v", r)
	}
	if r := clockSynced(flag(false, os.ErrPermission), run); r.Quality != sensors.Bad {
		t.Errorf("nobody knows: %+v", r)
	}
	if err := os.MkdirAll(service, 0o755); err != nil {
		t.Fatal(err)
	}
	if r := clockSynced(flag(false, os.ErrPermission), run); r.Quality != sensors.Good || r.Value != 0 {
		t.Errorf("the service runs and has not set it yet: %+v", r)
	}
	if err := os.WriteFile(filepath.Join(service, "synchronized"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if r := clockSynced(flag(false, nil), run); r.Value != 1 {
		t.Errorf("the service has set it: %+v", r)
	}
}

func TestASounderThatIsNotThereIsNamedWithWhatIs(t *testing.T) {
	_, _, err := OpenSounder("no such line of any board", "", false)
	if err == nil || !strings.Contains(err.Error(), "no such line of any board") {
		t.Errorf("got %v", err)
	}
}
