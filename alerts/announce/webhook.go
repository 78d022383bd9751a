package announce

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
	"unicode"

	"frostline/daemon/core"
	"frostline/sensors"
)

// WebhookOptions is what [NewWebhook] needs.
type WebhookOptions struct {
	URL        string // https://, or http:// on this machine
	SecretFile string // one whsec_ secret a line; during a change of secrets each message is signed with all of them
	CAFile     string // PEM; "" takes the system's authorities
	DeviceID   string // in the source of the events
	Outbox     Outbox // nil: transitions are kept in memory alone and say so
	Log        *slog.Logger
}

// Standard Webhooks wants secrets of 24 to 64 bytes (conventions.md 6).
const (
	secretPrefix  = "whsec_"
	secretLeast   = 24
	secretMost    = 64
	secretsMost   = 4 // more are a mistake in the file
	contentType   = "application/cloudevents+json; charset=utf-8"
	answerMax     = 4 << 10 // bytes of an answer that are looked at
	answerSaid    = 120     // of them, that are said
	retryAfterMax = time.Hour
)

// NewWebhook makes a courier that POSTs each alarm transition to one address: the same
// CloudEvents document as on MQTT, signed after Standard Webhooks. It checks the options and
// reads the secrets; it does not dial. The error names every option that is wrong.
func NewWebhook(o WebhookOptions) (*Courier, error) {
	u, err := parseHook(o.URL)
	problems := []error{err}
	h := &webhook{device: o.DeviceID}
	if !validID(o.DeviceID) {
		problems = append(problems, fmt.Errorf("webhook: device id %q: want a-z, 0-9 and inner hyphens, as van-1f2e3d4c", o.DeviceID))
	}
	if o.SecretFile == "" {
		problems = append(problems, errors.New("webhook: no secret file: the receiver could not tell our messages from anybody's"))
	} else {
		h.keys, err = readKeys(o.SecretFile)
		problems = append(problems, err)
	}
	transport := &http.Transport{
		// No proxy of the environment: the configuration file alone says where messages go.
		DialContext:            new(net.Dialer).DialContext,
		TLSHandshakeTimeout:    10 * time.Second,
		MaxResponseHeaderBytes: 16 << 10,
		DisableKeepAlives:      true, // a van changes networks, and alarms are hours apart
		DisableCompression:     true, // an answer is hardly looked at
	}
	if u != nil {
		h.url, h.host = u.String(), u.Host
		transport.TLSClientConfig, err = tlsConfig("webhook", u.Hostname(), o.CAFile, "", "")
		problems = append(problems, err)
	}
	h.client = &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error {
		return http.ErrUseLastResponse
	}}
	if err := errors.Join(problems...); err != nil {
		return nil, err
	}
	return newCourier(webhookPath, sensors.WebhookLink, h, o.Outbox, o.Log), nil
}

// parseHook reads the address and holds the rule that nothing leaves this machine unencrypted.
// An error names no more than the host: the path of such an address is often a secret.
func parseHook(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Hostname() == "":
		return nil, errors.New("webhook: want an address like https://example.org/hook")
	case u.User != nil:
		return nil, errors.New("webhook: the address carries a user or password: messages are signed instead")
	case u.Fragment != "":
		return nil, errors.New("webhook: what stands behind # never reaches a server: leave it out")
	case u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, fmt.Errorf("webhook: %s is not this machine, and alarms would cross the network unencrypted: use https://", u.Host)
	case u.Scheme != "http" && u.Scheme != "https":
		return nil, fmt.Errorf("webhook: scheme %q is not https", u.Scheme)
	}
	return u, nil
}

func readKeys(path string) ([][]byte, error) {
	lines, err := readSecrets("webhook: secret file", path)
	if err != nil {
		return nil, err
	}
	if len(lines) > secretsMost {
		return nil, fmt.Errorf("webhook: secret file %s has %d lines; at most %d secrets are taken", path, len(lines), secretsMost)
	}
	var keys [][]byte
	for i, line := range lines {
		text, ok := strings.CutPrefix(line, secretPrefix)
		key, err := base64.StdEncoding.DecodeString(text)
		if !ok || err != nil || len(key) < secretLeast || len(key) > secretMost {
			return nil, fmt.Errorf("webhook: secret file %s, line %d: want %s and the base64 of %d to %d random bytes", path, i+1, secretPrefix, secretLeast, secretMost)
		}
		keys = append(keys, key)
	}
	return keys, nil
}

// webhook is the other end of a signed POST.
type webhook struct {
	url, host string
	device    string
	keys      [][]byte
	client    *http.Client
}

func (h *webhook) carry(ctx context.Context, batch []transition, now *core.Snapshot) error {
	for _, t := range batch {
		body, err := h.body(t, now)
		if err != nil {
			return fault{text: err.Error(), kind: refused}
		}
		if err := h.post(ctx, t.id(), body); err != nil {
			return err
		}
	}
	return nil
}

func (h *webhook) body(t transition, now *core.Snapshot) ([]byte, error) {
	if t.event.Daily != nil {
		return t.daily(h.device)
	}
	return t.message(h.device, statusOf(now, t.event.Alarm.ID))
}

// testData is the data of a test: a receiver that reads it shows a person what it is.
type testData struct {
	Text string `json:"text"`
}

const testText = "A test of this path, asked for by a person. It says nothing about the van."

func (h *webhook) test(ctx context.Context, now *core.Snapshot) error {
	e := envelope[testData]{SpecVersion: "1.0", ID: testID(), Source: source(h.device), Type: testType, Subject: "test",
		DataContentType: "application/json", Data: testData{testText}}
	e.SeverityNumber, e.SeverityText = severity("low")
	if now.Est.ClockTrusted {
		e.Time = core.FormatWall(now.Stamp.Wall)
	}
	body, err := e.json()
	if err != nil {
		return fault{text: err.Error(), kind: refused}
	}
	return h.post(ctx, e.ID, body)
}

// testID is new for each test: a receiver must not take the second for a repetition.
func testID() string {
	var b [8]byte
	rand.Read(b[:])
	return fmt.Sprintf("test-%x", b)
}

// sign is the signature of Standard Webhooks: HMAC-SHA256 over id, timestamp and body, joined
// by full stops, once for each key.
func sign(keys [][]byte, id, timestamp string, body []byte) string {
	var all []string
	for _, key := range keys {
		m := hmac.New(sha256.New, key)
		io.WriteString(m, id+"."+timestamp+".")
		m.Write(body)
		all = append(all, "v1,"+base64.StdEncoding.EncodeToString(m.Sum(nil)))
	}
	return strings.Join(all, " ")
}

// post sends one message and says in words what became of it.
//
// The timestamp is that of this try, by the board's clock, trusted or not: there is no other.
// A receiver that compares it refuses while the clock is wrong; the message is then sent again
// with a new timestamp until the clock is right. The event's own time is left out meanwhile.
func (h *webhook) post(ctx context.Context, id string, body []byte) error {
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, h.url, bytes.NewReader(body))
	if err != nil {
		return fault{text: "the address cannot be asked", kind: refused} // the error would show it
	}
	timestamp := strconv.FormatInt(time.Now().Unix(), 10)
	r.Header.Set("Content-Type", contentType)
	r.Header.Set("User-Agent", "frostline")
	r.Header.Set("webhook-id", id)
	r.Header.Set("webhook-timestamp", timestamp)
	r.Header.Set("webhook-signature", sign(h.keys, id, timestamp, body))
	answer, err := h.client.Do(r)
	if err != nil {
		return fault{text: h.host + ": " + dialWords(err)}
	}
	defer answer.Body.Close()
	if answer.StatusCode >= 200 && answer.StatusCode < 300 {
		return nil // what else it says does not matter
	}
	said, _ := io.ReadAll(io.LimitReader(answer.Body, answerMax)) // the status has come; the rest only explains it
	return h.judge(answer, said)
}

// judge turns an answer that is no delivery into a fault.
func (h *webhook) judge(a *http.Response, said []byte) error {
	words := func(what string) string {
		text := fmt.Sprintf("%s answers %d: %s", h.host, a.StatusCode, what)
		if s := oneLine(string(said), answerSaid); s != "" {
			text += fmt.Sprintf(" (it says %q)", s)
		}
		return text
	}
	switch code := a.StatusCode; {
	case code >= 300 && code < 400:
		where := "elsewhere"
		if u, err := a.Location(); err == nil {
			where = "to " + u.Host
		}
		return fault{text: words("it sends us " + where + ", and redirects are not followed; put the final address into the configuration"), kind: refused}
	case code == http.StatusGone:
		return fault{text: words("it wants no more messages, so none are sent; remove the webhook or put its new address into the configuration and restart"), kind: gone}
	case code == http.StatusUnauthorized || code == http.StatusForbidden:
		return fault{text: words("it does not believe the signature; compare the secrets, and this board's clock with the receiver's"), kind: refused}
	case code == http.StatusNotFound || code == http.StatusMethodNotAllowed:
		return fault{text: words("nothing takes messages at this address; compare it with the receiver's"), kind: refused}
	case code == http.StatusRequestTimeout || code == http.StatusTooEarly || code == http.StatusTooManyRequests:
		return fault{text: words("it asks for patience; sent again later"), after: retryAfter(a)}
	case code >= 400 && code < 500:
		return fault{text: words("it refuses the message; its log says why"), kind: refused}
	}
	return fault{text: words("it is in trouble; sent again later"), after: retryAfter(a)}
}

// retryAfter is the Retry-After of an answer, in seconds or as a date (RFC 9110, 10.2.3); 0 if
// there is none. The date counts from the answer's own clock, since ours may be wrong.
func retryAfter(a *http.Response) time.Duration {
	text := a.Header.Get("Retry-After")
	if s, err := strconv.ParseUint(text, 10, 31); err == nil {
		return min(time.Duration(s)*time.Second, retryAfterMax)
	}
	then, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	sent, err := http.ParseTime(a.Header.Get("Date"))
	if err != nil {
		return 0
	}
	return max(0, min(then.Sub(sent), retryAfterMax))
}

// dialWords says why a connection failed, without the address's path and with what to do where
// that is not plain.
func dialWords(err error) string {
	if u, ok := errors.AsType[*url.Error](err); ok {
		err = u.Err
	}
	var invalid x509.CertificateInvalidError
	var unknown x509.UnknownAuthorityError
	var other x509.HostnameError
	var name *net.DNSError
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return "no answer in time"
	case errors.As(err, &invalid) && invalid.Reason == x509.Expired:
		return "its certificate is not valid at " + time.Now().UTC().Format("2006-01-02 15:04") + " UTC by this board's clock; set the clock, or renew the certificate"
	case errors.As(err, &unknown):
		return "its certificate is signed by an authority this board does not know; name that in ca_file"
	case errors.As(err, &other):
		return "its certificate is for another name"
	case errors.As(err, &name):
		return "its name is not found; is there a network?"
	}
	if r, ok := errors.AsType[tls.RecordHeaderError](err); ok {
		return "it does not speak TLS on this port (" + r.Msg + ")"
	}
	if op, ok := errors.AsType[*net.OpError](err); ok && op.Err != nil {
		err = op.Err // without the address, which has been named
	}
	return oneLine(err.Error(), answerSaid)
}

// oneLine is foreign text cut to one printable line of at most n bytes.
func oneLine(s string, n int) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, strings.ToValidUTF8(s, "?"))
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > n {
		s = strings.ToValidUTF8(s[:n], "") + "..."
	}
	return s
}
