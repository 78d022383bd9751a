package announce

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/estimate"
)

// An alarm the store refuses goes out from memory, and never before older ones that wait in
// the store, however many they are.
func TestAnAlarmTheStoreRefusedKeepsItsPlaceBehindAFullQueue(t *testing.T) {
	h, s := openHub(t), newShop()
	r := openRoad(t, h.addr, nil)
	r.set(false)
	a := announce(t, Options{Broker: r.addr, Outbox: s}, vanAt(1))
	a.logged(t, "broker away")
	const n = 3*batchN + 1
	states := []alerts.State{alerts.Unacked, alerts.Acked, alerts.Normal}
	for i := range n {
		snap := put(vanAt(uint64(2+i)), "gas-leave", states[i%3], uint64(100+i))
		if i == n-1 {
			s.refuses(true)
		}
		s.take(t, snap)
		a.Deliver(snap)
	}
	a.logged(t, "alarm is kept in memory only")
	r.set(true)
	wantInOrder(t, messages(t, h.from.until(t, 0, "every alarm", nEvents(n))), n)
}

// The same while the broker is there, from a store whose wake has not been seen yet.
func TestAnAlarmTheStoreRefusedWaitsForTheOneBeforeIt(t *testing.T) {
	h, s := openHub(t), newShop()
	a := announce(t, Options{Broker: h.addr, Outbox: s}, vanAt(1))
	a.connected(t, 1)
	give := func(seq uint64, refuse bool) {
		snap := put(vanAt(seq), "gas-leave", []alerts.State{alerts.Unacked, alerts.Acked, alerts.Normal}[seq%3], seq)
		s.refuses(refuse)
		s.take(t, snap)
		select { // swallow the wake: a signal is a hint, and which of two is seen first is chance
		case <-s.wake:
		default:
		}
		a.Deliver(snap)
	}
	give(100, false)
	h.from.until(t, 0, "the first alarm", nEvents(1)) // by the question that follows every connect, or by its own answer
	for seq := uint64(101); seq < 120; seq += 2 {
		give(seq, false)
		give(seq+1, true)
		h.from.until(t, 0, fmt.Sprintf("alarm %d", seq+1), nEvents(int(seq+2-100)))
	}
	wantInOrder(t, messages(t, h.from.until(t, 0, "every alarm", nEvents(21))), 21)
}

func wantInOrder(t *testing.T, got []cloudEvent, n int) {
	t.Helper()
	if len(got) != n {
		t.Errorf("%d messages, want %d", len(got), n)
	}
	for i, e := range got {
		if want := fmt.Sprintf("%020d", 100+i); e.Sequence != want {
			t.Fatalf("message %d has sequence %s, want %s: out of order", i, e.Sequence, want)
		}
	}
}

// ear is a client whose broker acknowledges everything at once, so that pace is measured in
// fake time.
type ear struct {
	paho.Client
	from *ledger
}

func (e ear) Publish(topic string, qos byte, retain bool, payload any) paho.Token {
	e.from.add(heard{topic, string(payload.([]byte)), retain, qos})
	return &paho.DummyToken{}
}

func (ear) Subscribe(string, byte, paho.MessageHandler) paho.Token { return &paho.DummyToken{} }

func TestNoisyNumbersWaitAndABandDoesNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := NewMQTT(Options{Broker: "mqtt://localhost", DeviceID: deviceID})
		if err != nil {
			t.Fatal(err)
		}
		c := &connection{client: ear{from: newLedger()}, ack: m.times.ack}
		sent := func(s *core.Snapshot) []heard { // what a snapshot sends
			t.Helper()
			m.Deliver(s)
			from := c.client.(ear).from.len()
			if err := m.refresh(c); err != nil {
				t.Fatal(err)
			}
			all, _ := c.client.(ear).from.list()
			return all[from:]
		}
		m.Deliver(vanAt(1))
		if err := m.birth(c); err != nil {
			t.Fatal(err)
		}
		moved := func(tick uint64) *core.Snapshot {
			s := vanAt(tick)
			s.Est.FuelKg.Value, s.Est.CabinC.Value = 4.1, 18.9
			return s
		}
		time.Sleep(noisy - time.Second)
		leave := put(moved(3), "gas-leave", alerts.Unacked, 1)
		leave.Est.Band = estimate.Leave
		got := append(sent(moved(2)), sent(leave)...)
		if !saw("homie/5/"+deviceID+"/gas/band", "leave")(got) {
			t.Errorf("the band did not go out with its alarm: %v", got)
		}
		if !slices.ContainsFunc(got, func(h heard) bool { return strings.HasSuffix(h.topic, "$alert/gas-leave") && h.payload != "" }) {
			t.Errorf("the alert did not go out with its alarm: %v", got)
		}
		for _, g := range got {
			if strings.Contains(g.topic, "/fuel/") || strings.Contains(g.topic, "/climate/") {
				t.Errorf("%s = %s went out within its pace", g.topic, g.payload)
			}
		}
		time.Sleep(time.Second)
		if got := sent(moved(4)); !saw("homie/5/"+deviceID+"/fuel/mass", "4.10")(got) && !saw("homie/5/"+deviceID+"/fuel/mass", "4.1")(got) {
			t.Errorf("once its pace allows, the mass must go out: %v", got)
		}
	})
}
