package announce

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/mail"
	"net/url"
	"strings"
	"sync"
	"time"

	smtp "github.com/wneessen/go-mail"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/sensors"
)

// MailOptions is what [NewMail] needs.
type MailOptions struct {
	Server       string // smtp://host[:587] with STARTTLS, smtps://host[:465] with TLS from the start; plain only on this machine
	From         string // one address
	To           []string
	User         string
	PasswordFile string // one line; a systemd credential is such a file
	CAFile       string // PEM; "" takes the system's authorities
	DeviceID     string // told in the mail, which names no van and no place
	Zone         *time.Location
	Outbox       Outbox // nil: transitions are kept in memory alone and say so
	Log          *slog.Logger
}

const (
	// mailMost is how many transitions one mail tells: a night's worth reads in a minute.
	mailMost = 40
	// mailGather is how long what is not urgent waits for more: raised, acknowledged and gone
	// within a minute is one mail. What is urgent waits for nothing.
	mailGather = time.Minute
	mailPhase  = 15 * time.Second // of a dialogue with the server, within the time of a try
	toMost     = 20
)

// NewMail makes a courier that mails alarm transitions as plain text. It checks the options
// and reads the password; it does not dial. The error names every option that is wrong.
func NewMail(o MailOptions) (*Courier, error) {
	m := &mailer{device: o.DeviceID, user: o.User, zone: o.Zone}
	if m.zone == nil {
		m.zone = time.UTC
	}
	problems := []error{m.server(o.Server, o.CAFile), m.addresses(o.From, o.To)}
	if !validID(o.DeviceID) {
		problems = append(problems, fmt.Errorf("mail: device id %q: want a-z, 0-9 and inner hyphens, as van-1f2e3d4c", o.DeviceID))
	}
	if (o.User == "") != (o.PasswordFile == "") {
		problems = append(problems, errors.New("mail: user and password file go together: give both or none"))
	}
	if o.PasswordFile != "" {
		var err error
		m.password, err = readSecret("mail: password file", o.PasswordFile)
		problems = append(problems, err)
	}
	if err := errors.Join(problems...); err != nil {
		return nil, err
	}
	c := newCourier(mailPath, sensors.MailLink, m, o.Outbox, o.Log)
	c.most, c.gather, c.mute = mailMost, mailGather, sidelined
	return c, nil
}

// sidelined reports whether an alarm that does not stand was suppressed by design or is no
// more, as at the first start without a broker: nobody has to read that in a mail.
func sidelined(a *alerts.Transition) bool {
	normal, suppressed := alerts.Normal.String(), alerts.Suppressed.String()
	return a.From == normal && a.To == suppressed || a.From == suppressed && a.To == normal
}

// mailer is the other end of a mail: a server that takes it.
type mailer struct {
	host, port     string
	implicit       bool // TLS from the first byte
	plain          bool // no TLS: on this machine only
	tls            *tls.Config
	user, password string
	from           *mail.Address
	to             []*mail.Address
	device         string
	zone           *time.Location

	mu    sync.Mutex      // guards the two below
	hadID string          // the mail that some have
	had   map[string]bool // those who have it: a try again is for the others
}

// server reads the server's address and holds the rule that nothing leaves this machine
// unencrypted.
func (m *mailer) server(s, caFile string) error {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "smtp" && u.Scheme != "smtps":
		return fmt.Errorf("mail: server %q: want smtp://host:587 or smtps://host:465", s)
	case u.User != nil:
		return errors.New("mail: server address carries a user or password: give them as user and password file")
	case strings.Trim(u.Path, "/") != "" || u.RawQuery != "":
		return fmt.Errorf("mail: server %q: only scheme, host and port are understood", s)
	}
	m.host, m.port, m.implicit = u.Hostname(), u.Port(), u.Scheme == "smtps"
	m.plain = !m.implicit && loopback(m.host)
	switch {
	case m.port != "":
	case m.implicit:
		m.port = "465"
	default:
		m.port = "587"
	}
	m.tls, err = tlsConfig("mail", m.host, caFile, "", "")
	return err
}

func (m *mailer) addresses(from string, to []string) error {
	var problems []error
	read := func(what, s string) *mail.Address {
		a, err := mail.ParseAddress(s)
		if err != nil || strings.ContainsFunc(a.Address, func(r rune) bool { return r <= ' ' || r == 0x7f }) {
			problems = append(problems, fmt.Errorf("mail: %s %q is not one address like van@example.org", what, s))
			return nil
		}
		return a
	}
	m.from = read("from", from)
	for _, s := range to {
		m.to = append(m.to, read("to", s))
	}
	if len(to) == 0 || len(to) > toMost {
		problems = append(problems, fmt.Errorf("mail: name one to %d addresses the mail goes to", toMost))
	}
	return errors.Join(problems...)
}

func (m *mailer) carry(ctx context.Context, batch []transition, now *core.Snapshot) error {
	if batch[0].event.Daily != nil { // it comes alone
		return m.send(ctx, dailyLetter(batch[0], now, m.device, m.zone), now.Est.ClockTrusted)
	}
	l := letterOf(batch, now, m.device, m.zone)
	return m.send(ctx, l, now.Est.ClockTrusted)
}

func (m *mailer) test(ctx context.Context, now *core.Snapshot) error {
	return m.send(ctx, letter{id: testID(), subject: "frostline: a test of the mail", body: testText + "\n" + foot(m.device)}, now.Est.ClockTrusted)
}

// send gives one letter to the server, once for each address, so that one that is refused does
// not keep it from the others.
func (m *mailer) send(ctx context.Context, l letter, clockTrusted bool) error {
	client, err := m.client(ctx)
	if err != nil {
		return fault{text: oneLine(err.Error(), answerSaid)}
	}
	if err := client.DialWithContext(ctx); err != nil {
		return m.judge(ctx, err)
	}
	defer client.Close() // QUIT; what it says cannot change what was taken
	had := m.haveIt(l.id)
	var last, later error
	missing := 0
	for _, to := range m.to {
		if had[to.Address] {
			continue
		}
		msg := m.message(l, to, clockTrusted)
		err := client.Send(msg)
		if err == nil || msg.IsDelivered() { // a fault after it was taken would send it twice
			m.got(l.id, to.Address)
			continue
		}
		missing++
		f := m.judge(ctx, err)
		if last = f; f.kind != refused {
			later = f
		}
	}
	switch {
	case missing == 0:
		return nil
	case later != nil: // somebody may have it later
		return later
	case missing < len(m.to):
		f, _ := errors.AsType[fault](last)
		f.kind = partly
		return f
	}
	return last
}

// haveIt are those who have the letter from an earlier try.
func (m *mailer) haveIt(id string) map[string]bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.hadID != id {
		return nil
	}
	return m.had
}

func (m *mailer) got(id, address string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	next := map[string]bool{address: true} // a new one: the old may be in a reader's hands
	if m.hadID == id {
		for a := range m.had {
			next[a] = true
		}
	}
	m.hadID, m.had = id, next
}

func (m *mailer) client(ctx context.Context) (*smtp.Client, error) {
	opts := []smtp.Option{
		smtp.WithHELO("localhost"), // the library would tell the board's name
		smtp.WithTimeout(mailPhase),
		smtp.WithTLSConfig(m.tls),
		smtp.WithDialContextFunc(func(dialing context.Context, network, address string) (net.Conn, error) {
			return m.dial(ctx, dialing, network, net.JoinHostPort(m.host, m.port))
		}),
	}
	switch {
	case m.implicit:
		opts = append(opts, smtp.WithSSL())
	case m.plain:
		opts = append(opts, smtp.WithTLSPolicy(smtp.NoTLS))
	default:
		opts = append(opts, smtp.WithTLSPolicy(smtp.TLSMandatory))
	}
	if m.user != "" {
		opts = append(opts, smtp.WithUsername(m.user), smtp.WithPassword(m.password),
			smtp.WithOpportunisticSMTPAuth(smtp.SMTPAuthSCRAMSHA256, smtp.SMTPAuthPlain, smtp.SMTPAuthLogin))
	}
	return smtp.NewClient(m.host, opts...)
}

// dial opens the socket, which does not outlive the whole try: the library's own limits begin
// anew with each phase.
func (m *mailer) dial(try, dialing context.Context, network, address string) (net.Conn, error) {
	socket, err := new(net.Dialer).DialContext(dialing, network, address)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(try, func() { socket.Close() })
	if !m.implicit {
		return socket, nil
	}
	secure := tls.Client(socket, m.tls)
	if err := secure.HandshakeContext(dialing); err != nil {
		socket.Close()
		return nil, err
	}
	return secure, nil
}

// message is the letter for one address. Everything in a header is one line of ours; a date is
// given only by a clock that can be believed, else the server sets it.
func (m *mailer) message(l letter, to *mail.Address, clockTrusted bool) *smtp.Msg {
	msg := smtp.NewMsg(smtp.WithNoDefaultUserAgent())
	msg.FromMailAddress(m.from)
	msg.ToMailAddress(to)
	msg.Subject(oneLine(l.subject, subjectMax))
	_, domain, _ := strings.Cut(m.from.Address, "@")
	msg.SetMessageIDWithValue(plainID(l.id) + "@" + domain)
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no answering machine answers
	if l.urgent {
		msg.SetImportance(smtp.ImportanceHigh)
	}
	if clockTrusted {
		msg.SetDateWithValue(time.Now().In(m.zone))
	} else {
		msg.SetGenHeader(smtp.HeaderDate) // without a value the library writes no line
	}
	msg.SetBodyString(smtp.TypeTextPlain, l.body)
	return msg
}

// plainID is an id with nothing in it that means anything in a header.
func plainID(id string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '.' {
			return r
		}
		return '-'
	}, id)
}

// judge says in words what a server did not like.
func (m *mailer) judge(ctx context.Context, err error) fault {
	said := oneLine(err.Error(), answerSaid)
	where := net.JoinHostPort(m.host, m.port) + ": "
	if s, ok := errors.AsType[*smtp.SendError](err); ok {
		switch code := s.ErrorCode(); {
		case ctx.Err() != nil:
			return fault{text: where + "no answer in time"}
		case code >= 500:
			return fault{text: where + "it refuses the mail; look at from and to: " + said, kind: refused}
		}
		return fault{text: where + "not taken now; sent again later: " + said}
	}
	switch {
	case ctx.Err() != nil:
		return fault{text: where + "no answer in time"}
	case strings.Contains(said, "SMTP AUTH"):
		return fault{text: where + "it does not take this user and password; compare user and password_file: " + said, kind: refused}
	case strings.Contains(said, "does not support STARTTLS"):
		return fault{text: where + "it offers no encryption, and alarms and password would cross the network readable; nothing is sent. Try smtps://", kind: refused}
	}
	return fault{text: where + dialWords(err)}
}
