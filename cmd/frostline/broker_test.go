package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// mosquitto starts the real broker on an address and returns what kills it.
func mosquitto(t *testing.T, addr string) (kill func()) {
	t.Helper()
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		if bin, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			if os.Getenv("FROSTLINE_NO_SKIP") != "" {
				t.Fatal("mosquitto is not installed")
			}
			t.Skip("mosquitto is not installed")
		}
	}
	_, port, _ := net.SplitHostPort(addr)
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(conf, fmt.Appendf(nil, "listener %s 127.0.0.1\nallow_anonymous true\npersistence false\n", port), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if c, err := net.Dial("tcp", addr); err == nil {
			c.Close()
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("mosquitto does not listen")
		}
	}
	dead := false
	kill = func() {
		if !dead {
			dead = true
			cmd.Process.Kill()
			cmd.Wait()
		}
	}
	t.Cleanup(kill)
	return kill
}

// watchBroker keeps every message of a broker that will live for a while, in order.
func watchBroker(t *testing.T, addr, id string) *ears {
	t.Helper()
	e := &ears{}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetAutoReconnect(false).SetOrderMatters(true))
	if tok := c.Connect(); !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("broker: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	tok := c.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.all = append(e.all, m.Topic()+" "+string(m.Payload()))
	})
	if !tok.WaitTimeout(10*time.Second) || tok.Error() != nil {
		t.Fatalf("subscribe: %v", tok.Error())
	}
	return e
}

// heard lists the payloads of one topic, in order.
func (e *ears) heard(topic string) (out []string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, m := range e.all {
		if rest, ok := strings.CutPrefix(m, topic+" "); ok {
			out = append(out, rest)
		}
	}
	return out
}

// TestTheBrokerDiesUnderTheDaemonWhileAlarmsAreRaised kills a real broker, lets alarms come
// and be acknowledged, and starts it anew: nothing is lost, the order is kept, the birth is
// whole, and the will speaks when the daemon dies.
func TestTheBrokerDiesUnderTheDaemonWhileAlarmsAreRaised(t *testing.T) {
	conf, page, _, b := layVan(t)
	broker := freeAddress(t)
	kill := mosquitto(t, broker)
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(conf, append(text, fmt.Appendf(nil, "[mqtt]\nbroker = \"tcp://%s\"\ndevice = \"van-test\"\n", broker)...), 0o644); err != nil {
		t.Fatal(err)
	}
	first := watchBroker(t, broker, "first")
	p := startProgram(t, conf, page, b)
	defer p.kill()
	if !first.wait("homie/5/van-test/$state", "ready") {
		t.Fatalf("no birth: %q\n%s", first.heard("homie/5/van-test/$state"), p.log.String())
	}
	kill()

	// The gas sensor warms up and says so; somebody acknowledges; a thermometer that was
	// never plugged in is missed. All of it without a broker.
	p.until("the gas watch says it is blind", func(s shown) bool { return s.alarm("gas-blind").State == "unacknowledged" })
	if err := p.command(`{"ack":"gas-blind"}`); err != nil {
		t.Error(err)
	}
	p.until("the missing thermometer is an alarm", func(s shown) bool { return s.alarm("sensor-fault").State == "unacknowledged" })

	mosquitto(t, broker)
	second := watchBroker(t, broker, "second")
	if !second.wait("homie/5/van-test/$state", "ready") {
		t.Fatalf("no second birth:\n%s", p.log.String())
	}
	if got := strings.Join(second.heard("homie/5/van-test/$state"), " "); got != "init ready" {
		t.Errorf("the birth reads %q, want init and then ready", got)
	}
	second.wait("frostline/van-test/events/alarm", `"alarm":"sensor-fault"`)
	var got []string
	for _, body := range second.heard("frostline/van-test/events/alarm") {
		var e struct {
			Sequence string `json:"sequence"`
			Data     struct{ Alarm, From, To string }
		}
		if err := json.Unmarshal([]byte(body), &e); err != nil {
			t.Fatal(err)
		}
		if n := len(got); n > 0 && !strings.Contains(got[n-1], e.Sequence) && got[n-1] > e.Sequence {
			t.Errorf("%s came after %s", e.Sequence, got[n-1])
		}
		got = append(got, e.Sequence+" "+e.Data.Alarm+" "+e.Data.To)
	}
	all := strings.Join(got, "\n")
	for _, want := range []string{"gas-blind unacknowledged", "gas-blind acknowledged", "sensor-fault unacknowledged"} {
		if strings.Count(all, want) != 1 {
			t.Errorf("want %q once, got:\n%s", want, all)
		}
	}
	if !second.wait("homie/5/van-test/$alert/sensor-fault", " ") {
		t.Error("the standing alarm is not among the retained alerts")
	}

	p.kill() // no goodbye: the will must speak
	if !second.wait("homie/5/van-test/$state", "lost") {
		t.Errorf("the will never spoke: %q", second.heard("homie/5/van-test/$state"))
	}
}
