package announce

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"strings"
)

// NewMQTT checks the options and reads the secrets. It does not dial: a broker that is
// away must not stop a start. The error names every option that is wrong.
func NewMQTT(o Options) (*MQTT, error) {
	if o.Domain == "" {
		o.Domain = "homie"
	}
	if o.EventsBase == "" {
		o.EventsBase = "frostline/" + o.DeviceID + "/events"
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	broker, secure, err := parseBroker(o.Broker)
	problems := []error{err, checkTopics(o)}
	if o.PasswordFile != "" && o.User == "" {
		problems = append(problems, errors.New("mqtt: a password needs a user name: MQTT 3.1.1 cannot send one alone"))
	}
	if (o.CertFile == "") != (o.KeyFile == "") {
		problems = append(problems, errors.New("mqtt: a client certificate and its key go together: give both files or none"))
	}
	if err == nil && !secure && (o.CAFile != "" || o.CertFile != "") {
		problems = append(problems, fmt.Errorf("mqtt: broker %s is plain but certificates are given: use mqtts://", o.Broker))
	}
	m := &MQTT{
		opt: o, broker: broker,
		device:  device{base: o.Domain + "/5/" + o.DeviceID, version: o.Version},
		events:  o.EventsBase + "/alarm",
		times:   defaultTimes(),
		queue:   newQueue(mqttPath, o.Outbox, o.Log),
		setting: make(chan struct{}, 1),
	}
	if o.PasswordFile != "" {
		m.password, err = readSecret("mqtt: password file", o.PasswordFile)
		problems = append(problems, err)
	}
	if secure {
		m.tls, err = tlsConfig("mqtt", broker.Hostname(), o.CAFile, o.CertFile, o.KeyFile)
		problems = append(problems, err)
	}
	if err := errors.Join(problems...); err != nil {
		return nil, err
	}
	return m, nil
}

// parseBroker reads the broker's address and holds the rule that nothing leaves this
// machine unencrypted.
func parseBroker(s string) (u *url.URL, secure bool, err error) {
	u, err = url.Parse(s)
	if err != nil || u.Hostname() == "" {
		return nil, false, fmt.Errorf("mqtt: broker %q: want mqtt://localhost:1883 or mqtts://host:8883", s)
	}
	if u.User != nil {
		return nil, false, errors.New("mqtt: broker address carries a user or password: give them as user and password file")
	}
	if strings.Trim(u.Path, "/") != "" || u.RawQuery != "" {
		return nil, false, fmt.Errorf("mqtt: broker %q: only scheme, host and port are understood", s)
	}
	port := "1883"
	switch u.Scheme {
	case "mqtt", "tcp":
	case "mqtts", "ssl", "tls":
		secure, port = true, "8883"
	default:
		return nil, false, fmt.Errorf("mqtt: broker %q: scheme %q is not mqtt or mqtts", s, u.Scheme)
	}
	if !secure && !loopback(u.Hostname()) {
		return nil, false, fmt.Errorf("mqtt: broker %q is not on this machine, and alarms and passwords would cross the network unencrypted: use mqtts://", s)
	}
	if u.Port() == "" {
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	return u, secure, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

func checkTopics(o Options) error {
	var problems []error
	if !validID(o.DeviceID) {
		problems = append(problems, fmt.Errorf("mqtt: device id %q: want a-z, 0-9 and inner hyphens, as van-1f2e3d4c", o.DeviceID))
	}
	if strings.ContainsAny(o.Domain, "/+#") || strings.HasPrefix(o.Domain, "$") {
		problems = append(problems, fmt.Errorf("mqtt: domain %q: want one topic segment, as homie", o.Domain))
	}
	base := o.EventsBase
	if strings.ContainsAny(base, "+#\x00") || strings.HasPrefix(base, "$") || strings.Trim(base, "/") != base {
		problems = append(problems, fmt.Errorf("mqtt: events base %q: want a topic without wildcards, outer slashes or a leading $", base))
	}
	return errors.Join(problems...)
}
