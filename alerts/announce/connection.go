package announce

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"frostline/daemon/core"
)

// qos is at least once, for everything: levels must not be mixed on retained topics.
const qos = 1

// storeRetry is how often the store is asked for rows though it did not wake us: it may
// not have answered the last time.
const storeRetry = 5 * time.Second

// states of the Homie lifecycle that we write; "lost" is left to the broker as our will.
const (
	stateInit         = "init"
	stateReady        = "ready"
	stateDisconnected = "disconnected"
	stateLost         = "lost"
)

// connection is one connection, from CONNECT until it ends. The client library's own
// reconnecting is off, because with it a publish counts as done without the broker's
// acknowledgement (libraries.md 2.2); so every connection has a new client.
type connection struct {
	client mqtt.Client
	socket net.Conn
	lost   chan error      // the connection died
	stray  chan string     // retained alert topics found on the broker
	quit   <-chan struct{} // we were told to stop: waits get short
	ack    time.Duration
	leave  time.Duration // the same after quit
}

// connection runs one connection to its end and reports whether it got as far as ready.
// When ctx ends it says goodbye; after any error it cuts the socket instead, so that the
// broker publishes our will.
func (m *MQTT) connection(ctx context.Context) (ready bool, err error) {
	c, err := m.connect(ctx, false)
	if err != nil {
		return false, err
	}
	defer c.cut()
	if err := m.birth(c); err != nil {
		return false, err
	}
	m.up.Store(true)
	defer m.up.Store(false)
	m.gripe.ends(m.opt.Log, "broker connected")
	if err := m.serve(ctx, c); err != nil {
		return true, err
	}
	return true, m.goodbye(c)
}

// connect dials. Messages in order are handed over one after the other, and their handler may
// then wait for nothing.
func (m *MQTT) connect(ctx context.Context, inOrder bool) (*connection, error) {
	dialing, cancel := context.WithTimeout(ctx, m.times.connect)
	defer cancel()
	c := &connection{lost: make(chan error, 1), stray: make(chan string, batchN),
		quit: ctx.Done(), ack: m.times.ack, leave: m.times.goodbye}
	unhook := func() bool { return true }
	o := mqtt.NewClientOptions().
		AddBroker(m.broker.String()).
		SetClientID(m.opt.DeviceID).
		SetUsername(m.opt.User).
		SetPassword(m.password).
		SetProtocolVersion(4). // 3.1.1 and no silent fall-back to older
		SetCleanSession(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(m.times.connect).
		SetWriteTimeout(m.times.write).
		SetKeepAlive(m.times.keepAlive).
		SetPingTimeout(min(10*time.Second, m.times.keepAlive)).
		SetOrderMatters(inOrder).
		SetWill(m.device.topic("$state"), stateLost, qos, true).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { c.lost <- err }).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			socket, err := m.dial(dialing)
			if err != nil {
				return nil, err
			}
			c.socket = socket
			unhook = context.AfterFunc(dialing, func() { socket.Close() }) // ends a CONNACK that never comes
			return socket, nil
		})
	c.client = mqtt.NewClient(o)
	token := c.client.Connect()
	<-token.Done() // the deadline of dialing ends it
	stillDialing := unhook()
	if err := token.Error(); err != nil {
		if c.socket != nil {
			c.socket.Close()
		}
		return nil, fmt.Errorf("mqtt %s: %w", m.broker.Host, err)
	}
	if !stillDialing {
		c.cut()
		return nil, fmt.Errorf("mqtt %s: connect took longer than %v", m.broker.Host, m.times.connect)
	}
	return c, nil
}

// dial opens the socket; the name is looked up each time, since a van changes networks.
func (m *MQTT) dial(ctx context.Context) (net.Conn, error) {
	socket, err := new(net.Dialer).DialContext(ctx, "tcp", m.broker.Host)
	if err != nil || m.tls == nil {
		return socket, err
	}
	secure := tls.Client(socket, m.tls)
	if err := secure.HandshakeContext(ctx); err != nil {
		socket.Close()
		return nil, err
	}
	return secure, nil
}

// cut ends the connection without a DISCONNECT. After a goodbye there is nothing to cut.
func (c *connection) cut() { c.socket.Close() }

func (c *connection) publish(topic string, retained bool, payload []byte) mqtt.Token {
	return c.client.Publish(topic, qos, retained, payload)
}

// wait waits for the broker's acknowledgement, and takes nothing else for one.
func (c *connection) wait(t mqtt.Token) error {
	limit, quit := c.ack, c.quit
	late := time.NewTimer(limit)
	defer late.Stop()
	for {
		select {
		case <-t.Done():
			return t.Error()
		case err := <-c.lost:
			return fmt.Errorf("connection lost: %w", err)
		case <-quit:
			quit, limit = nil, min(c.ack, c.leave)
			late.Reset(limit)
		case <-late.C:
			return fmt.Errorf("broker did not acknowledge within %v", limit)
		}
	}
}

func (m *MQTT) say(c *connection, state string) error {
	if err := c.wait(c.publish(m.device.topic("$state"), true, []byte(state))); err != nil {
		return fmt.Errorf("publish $state %s: %w", state, err)
	}
	return nil
}

// birth tells the broker everything, whatever it knew before: it may have lost its
// retained store, or kept more than is still true. Homie wants the description to change
// only while the state is init, and ready to come last.
func (m *MQTT) birth(c *connection) error {
	s := m.snapshot()
	description, err := m.device.description(s)
	if err != nil {
		return err
	}
	if err := m.say(c, stateInit); err != nil {
		return err
	}
	lines := m.device.lines(facts{Snapshot: s, lostN: m.lost()})
	before := m.published
	m.published = make(map[string]published, len(lines))
	tokens := []mqtt.Token{c.publish(m.device.topic("$description"), true, description)}
	now := time.Now()
	for _, l := range lines {
		tokens = append(tokens, c.publish(l.topic, true, []byte(l.payload)))
		m.published[l.topic] = published{l.payload, now}
	}
	for topic := range before { // topics of another wiring; their order does not matter
		if _, still := m.published[topic]; !still {
			tokens = append(tokens, c.publish(topic, true, nil))
		}
	}
	for _, t := range tokens {
		if err := c.wait(t); err != nil {
			return fmt.Errorf("publish values: %w", err)
		}
	}
	if err := m.subscribe(c); err != nil {
		return err
	}
	return m.say(c, stateReady)
}

func (m *MQTT) subscribe(c *connection) error {
	for _, s := range []struct {
		filter string
		got    mqtt.MessageHandler
	}{
		{m.device.topic("$alert/+"), func(_ mqtt.Client, msg mqtt.Message) { c.found(msg) }},
		{m.device.topic(expectedLow + "/set"), func(_ mqtt.Client, msg mqtt.Message) { m.set(msg.Retained(), msg.Payload()) }},
	} {
		t := c.client.Subscribe(s.filter, qos, s.got)
		if err := c.wait(t); err != nil {
			return fmt.Errorf("subscribe %s: %w", s.filter, err)
		}
		// The client reports a refusal only here. Alarms must flow all the same.
		if st, ok := t.(*mqtt.SubscribeToken); ok && st.Result()[s.filter] == 0x80 {
			m.opt.Log.Warn("broker refuses a subscription: allow the device to read below its own id", "topic", s.filter)
		}
	}
	return nil
}

// found looks at a retained alert on the broker: an older version may have left one that
// no rule of ours will ever clear.
func (c *connection) found(msg mqtt.Message) {
	if !msg.Retained() || len(msg.Payload()) == 0 {
		return
	}
	select {
	case c.stray <- msg.Topic():
	default: // the next connection finds it again
	}
}

// serve keeps the broker up to date until ctx ends (nil) or the connection does.
func (m *MQTT) serve(ctx context.Context, c *connection) error {
	retry := time.NewTimer(0)
	defer retry.Stop()
	ask := true // whether the store may have rows
	for {
		if err := m.refresh(c); err != nil {
			return err
		}
		if m.settle(ctx, m.times.commit) {
			ask = true // its wake may not have been seen yet, and what it holds is older than what is ours to send
		}
		if ctx.Err() != nil {
			return nil
		}
		more, err := m.drain(ctx, c, ask)
		if err != nil {
			return err
		}
		if ask = more; more {
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case err := <-c.lost:
			return fmt.Errorf("connection lost: %w", err)
		case <-m.wake:
		case <-m.store.wake():
			ask = true
		case <-retry.C:
			ask = true
			retry.Reset(storeRetry)
		case topic := <-c.stray:
			if _, ours := m.published[topic]; !ours {
				if err := c.wait(c.publish(topic, true, nil)); err != nil {
					return fmt.Errorf("delete %s: %w", topic, err)
				}
			}
		}
	}
}

// refresh sends what changed, as often as its pace allows. If the wiring changed, the
// device is born again.
func (m *MQTT) refresh(c *connection) error {
	lines := m.device.lines(facts{Snapshot: m.snapshot(), lostN: m.lost()})
	if !m.sameTopics(lines) {
		return m.birth(c)
	}
	now := time.Now()
	var tokens []mqtt.Token
	mirror := m.mirror.Swap(false)
	for _, l := range lines {
		was := m.published[l.topic]
		again := mirror && l.topic == m.device.topic(expectedLow)
		if !again && (l.payload == was.payload || now.Sub(was.at) < l.pace && l.payload != "" && was.payload != "") {
			continue // a value that becomes unknown, or known, does not wait
		}
		tokens = append(tokens, c.publish(l.topic, true, []byte(l.payload)))
		m.published[l.topic] = published{l.payload, now}
	}
	for _, t := range tokens {
		if err := c.wait(t); err != nil {
			return fmt.Errorf("publish values: %w", err)
		}
	}
	return nil
}

func (m *MQTT) sameTopics(lines []line) bool {
	for _, l := range lines {
		if _, ours := m.published[l.topic]; !ours {
			return false
		}
	}
	return len(lines) == len(m.published)
}

// drain sends alarm transitions, oldest first and one at a time: from the store's queue,
// and between them in order of sequence those the store did not take. It reports whether
// the store may have more.
func (m *MQTT) drain(ctx context.Context, c *connection, ask bool) (more bool, err error) {
	var rows []core.OutboxRow
	if ask {
		if rows, err = m.store.next(ctx, batchN); err != nil {
			if ctx.Err() == nil {
				m.opt.Log.Debug("outbox: no rows", "err", err)
			}
			rows = nil
		}
	}
	full := len(rows) == batchN // and every delivery noted, or the same rows come again at once
	for _, row := range rows {
		if err := m.sendAlone(ctx, c, &row); err != nil || ctx.Err() != nil {
			return false, err
		}
		noted, err := m.sendRow(ctx, c, row)
		if err != nil || ctx.Err() != nil {
			return false, err
		}
		full = full && noted
	}
	if full {
		return true, nil // rows behind these may be older than what is in memory
	}
	return false, m.sendAlone(ctx, c, nil)
}

// sendAlone sends the transitions that are only in memory: those before row, or all. Rows
// of an earlier boot are older than anything in memory.
func (m *MQTT) sendAlone(ctx context.Context, c *connection, row *core.OutboxRow) error {
	for ctx.Err() == nil {
		m.mu.Lock()
		t, ok := m.spill.oldest()
		m.mu.Unlock()
		if !ok || row != nil && (row.Boot != t.boot || row.Seq <= t.event.Seq) {
			return nil
		}
		if err := m.send(c, t); err != nil {
			return err
		}
		m.sent(ctx, t.boot, t.event.Seq, 0)
	}
	return nil
}

// sendRow sends one row of the store and tells the store. What went out from memory
// already is not sent twice. It reports whether the store noted the delivery.
func (m *MQTT) sendRow(ctx context.Context, c *connection, row core.OutboxRow) (noted bool, err error) {
	t, ok := m.read(row)
	if ok && t.event.Alarm != nil && !m.gone.has(row.Boot, row.Seq) {
		if err := m.send(c, t); err != nil {
			return false, err
		}
	}
	return m.sent(ctx, row.Boot, row.Seq, row.ID), nil
}

func (m *MQTT) send(c *connection, t transition) error {
	b, err := t.message(m.opt.DeviceID, statusOf(m.snapshot(), t.event.Alarm.ID))
	if err != nil {
		return err
	}
	if err := c.wait(c.publish(m.events, false, b)); err != nil {
		return fmt.Errorf("publish alarm %s: %w", t.event.Alarm.ID, err)
	}
	return nil
}

// goodbye leaves in order: the broker must have the state before DISCONNECT, which then
// discards the will.
func (m *MQTT) goodbye(c *connection) error {
	if err := m.say(c, stateDisconnected); err != nil {
		return err
	}
	c.client.Disconnect(uint(m.times.goodbye.Milliseconds()))
	return nil
}

// setMax bounds a command's payload in bytes: a temperature is a few characters.
const setMax = 32

var errNotANumber = errors.New("want a decimal number of degrees Celsius, as -12.5")

// parseLow reads a Homie float within the range of the property.
func parseLow(payload []byte) (float64, error) {
	s := string(payload)
	if s == "" || strings.Trim(s, "0123456789-.eE") != "" {
		return 0, errNotANumber // keeps out what only Go calls a number: "0x1p4", "+1", "inf", "1_0"
	}
	var c float64
	if err := json.Unmarshal(payload, &c); err != nil {
		return 0, errNotANumber
	}
	if c < expectedLowMinC || c > expectedLowMaxC {
		return 0, fmt.Errorf("%v is not within %d and %d degrees Celsius", c, expectedLowMinC, expectedLowMaxC)
	}
	return c, nil
}

// set takes a command. It runs on a goroutine of the client library; at most one command
// is in work, since an operator's second press can wait and a flood must not pile up.
func (m *MQTT) set(retained bool, payload []byte) {
	refuse := func(why error) {
		m.opt.Log.Warn("command refused", "topic", expectedLow+"/set", "err", why)
	}
	switch {
	case retained:
		refuse(errors.New("it was retained, so nobody may have meant it now"))
		return
	case m.opt.Command == nil:
		refuse(errors.New("commands are not wired"))
		return
	case len(payload) > setMax:
		refuse(fmt.Errorf("%d bytes; at most %d are read", len(payload), setMax))
		return
	}
	c, err := parseLow(payload)
	if err != nil {
		refuse(err)
		return
	}
	select {
	case m.setting <- struct{}{}:
	default:
		refuse(errors.New("another command is being taken"))
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), m.times.ack)
	err = m.opt.Command(ctx, core.Command{Actor: "mqtt", ExpectedLow: &core.ExpectedLow{C: c}})
	cancel()
	<-m.setting // before it is answered: who has seen the answer may send the next
	if err != nil {
		refuse(err)
		return
	}
	m.mirror.Store(true)
	select {
	case m.wake <- struct{}{}:
	default:
	}
}
