package announce

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"frostline/daemon/core"
	"frostline/sensors"
)

const deviceID = "van-1f2e3d4c"

// hangLimit ends a test that would otherwise wait for ever; nothing is measured by it.
const hangLimit = 60 * time.Second

// heard is one message.
type heard struct {
	topic, payload string
	retain         bool
	qos            byte
}

// ledger is a list that can be waited on.
type ledger struct {
	mu      sync.Mutex
	all     []heard
	changed chan struct{}
}

func newLedger() *ledger { return &ledger{changed: make(chan struct{})} }

func (l *ledger) add(h heard) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, h)
	close(l.changed)
	l.changed = make(chan struct{})
}

func (l *ledger) list() ([]heard, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.Clone(l.all), l.changed
}

// until waits until the list from index from on holds what done asks for, and returns that
// part. It gives up when nothing new has come for a long while.
func (l *ledger) until(t testing.TB, from int, what string, done func([]heard) bool) []heard {
	t.Helper()
	for {
		all, changed := l.list()
		if len(all) >= from && done(all[from:]) {
			return all[from:]
		}
		select {
		case <-changed:
		case <-time.After(hangLimit):
			t.Fatalf("waited in vain for %s; heard last: %v", what, all[max(from, len(all)-8):])
		}
	}
}

func (l *ledger) len() int {
	all, _ := l.list()
	return len(all)
}

func saw(topic, payload string) func([]heard) bool {
	return func(hs []heard) bool {
		return slices.ContainsFunc(hs, func(h heard) bool { return h.topic == topic && h.payload == payload })
	}
}

// hub is a broker in this process that writes down what the van publishes, as published.
type hub struct {
	*mochi.Server
	addr string
	from *ledger // what the device sent, its will included
}

type scribe struct {
	mochi.HookBase
	from *ledger
}

func (*scribe) ID() string { return "scribe" }
func (*scribe) Provides(b byte) bool {
	return b == mochi.OnPublish || b == mochi.OnWillSent
}

func (s *scribe) OnPublish(c *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if c.ID == deviceID {
		s.from.add(heard{pk.TopicName, string(pk.Payload), pk.FixedHeader.Retain, pk.FixedHeader.Qos})
	}
	return pk, nil
}

func (s *scribe) OnWillSent(_ *mochi.Client, pk packets.Packet) {
	s.from.add(heard{pk.TopicName, string(pk.Payload), pk.FixedHeader.Retain, pk.FixedHeader.Qos})
}

func openHub(t *testing.T) *hub {
	t.Helper()
	h := &hub{Server: mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)}), from: newLedger()}
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	for _, err := range []error{h.AddHook(new(auth.AllowHook), nil), h.AddHook(&scribe{from: h.from}, nil), h.AddListener(l), h.Serve()} {
		if err != nil {
			t.Fatal(err)
		}
	}
	h.addr = l.Address()
	t.Cleanup(func() { h.Close() })
	return h
}

// retained is the broker's retained payload of a topic.
func (h *hub) retained(topic string) (string, bool) {
	pk, ok := h.Topics.Retained.Get(topic)
	return string(pk.Payload), ok && len(pk.Payload) > 0
}

func (h *hub) say(t *testing.T, topic, payload string, retain bool) {
	t.Helper()
	if err := h.Publish(topic, []byte(payload), retain, 1); err != nil {
		t.Fatal(err)
	}
}

// announcer is a running MQTT that ends with its test.
type announcer struct {
	*MQTT
	log  *ledger // log lines
	stop func() error
}

func announce(t *testing.T, o Options, first *core.Snapshot, tweak ...func(*times)) *announcer {
	t.Helper()
	if !strings.Contains(o.Broker, "://") {
		o.Broker = "mqtt://" + o.Broker
	}
	log := newLedger()
	o.DeviceID, o.Version = deviceID, "v1"
	o.Log = slog.New(slog.NewTextHandler(lines{log}, nil))
	m, err := NewMQTT(o)
	if err != nil {
		t.Fatal(err)
	}
	m.times = quick()
	for _, f := range tweak {
		f(&m.times)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	m.Deliver(first)
	go func() { done <- m.Run(ctx) }()
	a := &announcer{MQTT: m, log: log}
	a.stop = sync.OnceValue(func() error {
		cancel()
		select {
		case err := <-done:
			return err
		case <-time.After(hangLimit):
			t.Error("Run does not end")
			return nil
		}
	})
	t.Cleanup(func() {
		if err := a.stop(); err != nil {
			t.Errorf("Run ended with %v", err)
		}
		if t.Failed() {
			all, _ := log.list()
			t.Logf("the announcer said: %v", all)
		}
	})
	return a
}

type lines struct{ to *ledger }

func (l lines) Write(b []byte) (int, error) {
	l.to.add(heard{payload: string(b)})
	return len(b), nil
}

func (a *announcer) logged(t *testing.T, what string) {
	t.Helper()
	a.log.until(t, 0, "a log line with "+what, func(hs []heard) bool {
		return slices.ContainsFunc(hs, func(h heard) bool { return strings.Contains(h.payload, what) })
	})
}

// connected waits until the device has been ready n times.
func (a *announcer) connected(t *testing.T, n int) {
	t.Helper()
	a.log.until(t, 0, fmt.Sprintf("%d connections in the log", n), func(hs []heard) bool {
		found := 0
		for _, h := range hs {
			if strings.Contains(h.payload, "broker connected") {
				found++
			}
		}
		return found >= n
	})
}

func (a *announcer) health() (link, lost float64) {
	a.Health(func(ch sensors.Channel, r sensors.Reading) {
		switch ch {
		case sensors.BrokerLink:
			link = r.Value
		case sensors.OutboxLost:
			lost = r.Value
		}
	})
	return link, lost
}

const (
	stateTopic  = "homie/5/" + deviceID + "/$state"
	eventsTopic = "frostline/" + deviceID + "/events/alarm"
)

// messages are the alarm events among what was heard.
func messages(t testing.TB, hs []heard) []cloudEvent {
	t.Helper()
	var out []cloudEvent
	for _, h := range hs {
		if h.topic != eventsTopic {
			continue
		}
		var e cloudEvent
		dec := json.NewDecoder(strings.NewReader(h.payload))
		dec.DisallowUnknownFields()
		if err := dec.Decode(&e); err != nil {
			t.Fatalf("event %s: %v", h.payload, err)
		}
		if h.retain {
			t.Errorf("event %s is retained", e.ID)
		}
		out = append(out, e)
	}
	return out
}

func nEvents(n int) func([]heard) bool {
	return func(hs []heard) bool {
		ids := map[string]bool{}
		for _, h := range hs {
			if h.topic == eventsTopic {
				var e struct{ ID string }
				if json.Unmarshal([]byte(h.payload), &e) == nil {
					ids[e.ID] = true
				}
			}
		}
		return len(ids) >= n
	}
}

// watcher is a subscriber to everything, by the client library's own means.
type watcher struct {
	*ledger
	client paho.Client
}

func watch(t *testing.T, addr string) *watcher {
	t.Helper()
	w := &watcher{ledger: newLedger()}
	o := paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("watcher").SetAutoReconnect(false).
		SetConnectTimeout(hangLimit).SetKeepAlive(hangLimit).SetPingTimeout(hangLimit).SetOrderMatters(true)
	w.client = paho.NewClient(o)
	if tok := w.client.Connect(); !tok.WaitTimeout(hangLimit) || tok.Error() != nil {
		t.Fatalf("watcher: %v", tok.Error())
	}
	tok := w.client.Subscribe("#", 1, func(_ paho.Client, m paho.Message) {
		w.add(heard{m.Topic(), string(m.Payload()), m.Retained(), m.Qos()})
	})
	if !tok.WaitTimeout(hangLimit) || tok.Error() != nil {
		t.Fatalf("watcher: %v", tok.Error())
	}
	t.Cleanup(func() { w.client.Disconnect(50) })
	return w
}

// road is a TCP road to a broker that can be closed, cut, and fitted with potholes.
type road struct {
	addr string
	to   string
	// pothole decides for each connection after how many bytes to and from the broker it
	// swallows what follows; 0 is never.
	pothole func() (up, down int)

	mu     sync.Mutex
	open   bool
	n      int // connections so far
	conns  []net.Conn
	listen net.Listener
}

func openRoad(t *testing.T, to string, pothole func() (up, down int)) *road {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &road{addr: l.Addr().String(), to: to, pothole: pothole, open: true, listen: l}
	go r.serve()
	t.Cleanup(func() { l.Close(); r.cut() })
	return r
}

func (r *road) serve() {
	for {
		in, err := r.listen.Accept()
		if err != nil {
			return
		}
		r.mu.Lock()
		open := r.open
		r.mu.Unlock()
		out, err := net.Dial("tcp", r.to)
		if err != nil || !open {
			in.Close()
			if out != nil {
				out.Close()
			}
			continue
		}
		up, down := 0, 0
		if r.pothole != nil {
			up, down = r.pothole()
		}
		r.mu.Lock()
		if !r.open { // closed while we dialled
			r.mu.Unlock()
			in.Close()
			out.Close()
			continue
		}
		r.conns = append(r.conns, in, out)
		r.n++
		r.mu.Unlock()
		go carry(out, in, up)
		go carry(in, out, down)
	}
}

// carry copies until limit; a positive one then cuts both, a negative one swallows.
func carry(to, from net.Conn, limit int) {
	defer to.Close()
	defer from.Close()
	if limit == 0 {
		io.Copy(to, from)
		return
	}
	io.CopyN(to, from, int64(max(limit, -limit)))
	if limit < 0 {
		io.Copy(io.Discard, from)
	}
}

func (r *road) count() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.n
}

func (r *road) cut() {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.conns {
		c.Close()
	}
	r.conns = nil
}

func (r *road) set(open bool) {
	r.mu.Lock()
	r.open = open
	r.mu.Unlock()
	if !open {
		r.cut()
	}
}
