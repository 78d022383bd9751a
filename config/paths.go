package config

import (
	"net"
	"net/mail"
	"net/url"
	"slices"

	"frostline/daemon/core"
)

func (c *compiler) webhook(r *rawWebhook) *Webhook {
	if r == nil {
		return nil
	}
	w := &Webhook{URL: c.text("webhook.url", r.URL, ""), SecretFile: c.text("webhook.secret_file", r.SecretFile, ""),
		CAFile: c.text("webhook.ca_file", r.CAFile, "")}
	u, err := url.Parse(w.URL)
	switch { // the path of such an address is often a secret, so none of it is said
	case err != nil || u.Hostname() == "" || u.Scheme != "http" && u.Scheme != "https":
		c.wrong("webhook.url", "write an address like \"https://example.org/hook\"")
	case u.User != nil:
		c.wrong("webhook.url", "secrets do not belong here; messages are signed with webhook.secret_file")
	case u.Fragment != "":
		c.wrong("webhook.url", "what stands behind # never reaches a server; leave it out")
	case u.Scheme == "http" && !here(u.Hostname()):
		c.wrong("webhook.url", "%s is beyond this board, so its traffic must be encrypted; write https:// and give webhook.ca_file if its certificate is your own", u.Host)
	}
	w.Daily = c.daily("webhook.daily", r.Daily)
	if w.SecretFile == "" {
		c.wrong("webhook.secret_file", "name a file with the secret messages are signed with: whsec_ and the base64 of 24 to 64 random bytes")
	}
	return w
}

func (c *compiler) mail(r *rawMail) *Mail {
	if r == nil {
		return nil
	}
	m := &Mail{Server: c.text("mail.server", r.Server, ""), From: c.text("mail.from", r.From, ""), To: c.texts("mail.to", r.To, "me@example.net"),
		User: c.text("mail.user", r.User, ""), PasswordFile: c.text("mail.password_file", r.PasswordFile, ""),
		CAFile: c.text("mail.ca_file", r.CAFile, "")}
	m.Daily = c.daily("mail.daily", r.Daily)
	u, err := url.Parse(m.Server)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "smtp" && u.Scheme != "smtps":
		c.wrong("mail.server", "write the server like \"smtps://mail.example.org:465\", or \"smtp://mail.example.org:587\" for STARTTLS")
	case u.User != nil:
		c.wrong("mail.server", "secrets do not belong here; use mail.user and mail.password_file")
	}
	if _, err := mail.ParseAddress(m.From); err != nil {
		c.wrong("mail.from", "%q is not one address; write it like \"van@example.org\"", m.From)
	}
	for _, to := range m.To {
		if _, err := mail.ParseAddress(to); err != nil {
			c.wrong("mail.to", "%q is not one address; write a list like [\"me@example.net\"]", to)
		}
	}
	if list, ok := r.To.([]any); r.To == nil || ok && len(list) == 0 || len(m.To) > 20 {
		c.wrong("mail.to", "name one to 20 addresses, like [\"me@example.net\"]")
	}
	if (m.User == "") != (m.PasswordFile == "") {
		c.wrong("mail.user", "user and password_file come together")
	}
	return m
}

// daily reads the time of a daily word; none is "".
func (c *compiler) daily(key string, v any) string {
	if v == nil {
		return ""
	}
	return core.DailyAt(c.clock(key, v, 0))
}

// dailyMin are the times somebody asked for, each once.
func dailyMin(cfg *Config) (out []int) {
	add := func(at string) {
		if m, err := parseClock(at); err == nil && !slices.Contains(out, m) {
			out = append(out, m)
		}
	}
	if cfg.Webhook != nil {
		add(cfg.Webhook.Daily)
	}
	if cfg.Mail != nil {
		add(cfg.Mail.Daily)
	}
	return out
}

// here reports whether a host is this board.
func here(host string) bool { return host == "localhost" || net.ParseIP(host).IsLoopback() }
