package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// mosquitto starts the real broker and returns its address and what kills it.
func mosquitto(t *testing.T) (addr string, kill func()) {
	t.Helper()
	addr = freeAddress(t)
	bin, err := exec.LookPath("mosquitto")
	if err != nil {
		if bin, err = exec.LookPath("/usr/sbin/mosquitto"); err != nil {
			if os.Getenv("FROSTLINE_NO_SKIP") != "" {
				t.Fatal("mosquitto is not installed")
			}
			t.Skip("mosquitto is not installed")
		}
	}
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(t.TempDir(), "mosquitto.conf")
	if err := os.WriteFile(conf, fmt.Appendf(nil, "listener %s %s\nallow_anonymous true\npersistence false\n", port, host), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, "-c", conf)
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		if c, err := net.Dial("tcp", addr); err == nil {
			c.Close()
			break
		}
		if time.Now().After(deadline) {
			cmd.Process.Kill()
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
	return addr, kill
}

// layRoad carries connections from one address to a broker's, until it is closed. Between
// two roads a watcher can settle at the broker before the daemon finds it.
func layRoad(t *testing.T, at, to string) (closeRoad func()) {
	t.Helper()
	ln, err := net.Listen("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var open []net.Conn
	closed := false
	keep := func(c net.Conn) bool {
		mu.Lock()
		defer mu.Unlock()
		open = append(open, c)
		return !closed
	}
	closeRoad = func() {
		mu.Lock()
		defer mu.Unlock()
		closed = true
		ln.Close()
		for _, c := range open {
			c.Close()
		}
	}
	t.Cleanup(closeRoad)
	carry := func(to, from net.Conn) {
		defer to.Close()
		defer from.Close()
		io.Copy(to, from)
	}
	go func() {
		for {
			in, err := ln.Accept()
			if err != nil {
				return
			}
			out, err := net.Dial("tcp", to)
			if err != nil {
				in.Close()
				continue
			}
			if !keep(in) || !keep(out) {
				in.Close()
				out.Close()
				return
			}
			go carry(out, in)
			go carry(in, out)
		}
	}()
	return closeRoad
}

// watchBroker keeps every message of a broker that will live for a while, in order.
func watchBroker(t *testing.T, addr, id string) *ears {
	t.Helper()
	e := &ears{}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetAutoReconnect(false).SetOrderMatters(true).
		SetConnectTimeout(patience).SetPingTimeout(patience))
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatalf("broker: %v", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(0) })
	tok := c.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) {
		e.mu.Lock()
		defer e.mu.Unlock()
		e.all = append(e.all, m.Topic()+" "+string(m.Payload()))
	})
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
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

// told is an alarm event as a watcher sees it.
type told struct {
	ID, Sequence string
	Data         struct{ Alarm, From, To string }
}

// tellings are the alarm events that watchers heard, the first of each: what was not
// acknowledged when the road was cut is sent again by the same id.
func tellings(t *testing.T, watchers ...*ears) (all []told) {
	t.Helper()
	seen := map[string]bool{}
	for _, w := range watchers {
		for _, body := range w.heard("frostline/van-test/events/alarm") {
			var e told
			if err := json.Unmarshal([]byte(body), &e); err != nil {
				t.Fatal(err)
			}
			if !seen[e.ID] {
				seen[e.ID] = true
				all = append(all, e)
			}
		}
	}
	return all
}

// TestTheBrokerDiesUnderTheDaemonWhileAlarmsAreRaised kills a real broker, lets alarms come
// and be acknowledged, and starts another: nothing is lost, the order is kept, the birth is
// whole, and the will speaks when the daemon dies.
func TestTheBrokerDiesUnderTheDaemonWhileAlarmsAreRaised(t *testing.T) {
	t.Parallel()
	conf, page, _, b := layVan(t)
	at := freeAddress(t)
	broker, kill := mosquitto(t)
	closeRoad := layRoad(t, at, broker)
	text, err := os.ReadFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(conf, append(text, fmt.Appendf(nil, "[mqtt]\nbroker = \"tcp://%s\"\ndevice = \"van-test\"\n", at)...), 0o644); err != nil {
		t.Fatal(err)
	}
	first := watchBroker(t, broker, "first")
	p := startProgram(t, conf, page, b)
	defer p.kill()
	if !first.wait("homie/5/van-test/$state", "ready") {
		t.Fatalf("no birth: %q\n%s", first.heard("homie/5/van-test/$state"), p.log.String())
	}
	closeRoad() // what the broker has acknowledged is before the will, so the watcher has it too
	if !first.wait("homie/5/van-test/$state", "lost") {
		t.Fatal("the will does not speak when the road dies")
	}
	kill()

	// The gas sensor warms up and says so; somebody acknowledges; a thermometer that was
	// never plugged in is missed. All of it without a broker.
	p.until("the gas watch says it is blind", func(s shown) bool { return s.alarm("gas-blind").State == "unacknowledged" })
	if err := p.command(`{"ack":"gas-blind"}`); err != nil && !late(err) {
		t.Error(err)
	}
	p.until("the missing thermometer is an alarm", func(s shown) bool { return s.alarm("sensor-fault").State == "unacknowledged" })

	broker, _ = mosquitto(t)
	second := watchBroker(t, broker, "second")
	layRoad(t, at, broker)
	if !second.wait("homie/5/van-test/$state", "ready") {
		t.Fatalf("no second birth:\n%s", p.log.String())
	}
	if got := strings.Join(second.heard("homie/5/van-test/$state"), " "); got != "init ready" {
		t.Errorf("the birth reads %q, want init and then ready", got)
	}
	second.wait("frostline/van-test/events/alarm", `"alarm":"sensor-fault"`)
	var got []string
	for i, e := range tellings(t, first, second) {
		got = append(got, e.Sequence+" "+e.Data.Alarm+" "+e.Data.To)
		if i > 0 && got[i] < got[i-1] {
			t.Errorf("%s came after %s", got[i], got[i-1])
		}
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
