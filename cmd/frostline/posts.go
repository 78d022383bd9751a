package main

import (
	"frostline/alerts/announce"
	"frostline/daemon/web"
	"frostline/sensors"
)

// The other ways out, by their rows in the outbox.
const (
	webhookPath = "webhook"
	mailPath    = "mail"
)

// outboxes are the ways out that keep messages in the store.
func (o *outfit) outboxes() (paths []string) {
	if o.cfg.MQTT != nil {
		paths = append(paths, mqttPath)
	}
	if o.cfg.Webhook != nil {
		paths = append(paths, webhookPath)
	}
	if o.cfg.Mail != nil {
		paths = append(paths, mailPath)
	}
	return paths
}

// dailies are the daily words that paths asked for.
func (o *outfit) dailies() map[string]string {
	at := map[string]string{}
	if h := o.cfg.Webhook; h != nil && h.Daily != "" {
		at[webhookPath] = h.Daily
	}
	if m := o.cfg.Mail; m != nil && m.Daily != "" {
		at[mailPath] = m.Daily
	}
	return at
}

// openPosts readies webhook and mail. A missing secret is no reason to stop watching gas: it
// is said, on the page too, and the program runs without.
func (o *outfit) openPosts() {
	var outbox announce.Outbox
	if o.store != nil {
		outbox = o.store
	}
	device := o.device()
	post := func(name string, ch sensors.Channel, c *announce.Courier, err error) {
		if err != nil {
			o.extra = append(o.extra, &lost{ch, err})
			o.log.Error("running without a path for messages", "output", name, "err", err)
			o.paths = append(o.paths, unused(name, err))
			return
		}
		o.posts = append(o.posts, c)
		o.paths = append(o.paths, web.Path{Name: name, State: c.Says, Test: c.Test})
	}
	if h := o.cfg.Webhook; h != nil {
		c, err := announce.NewWebhook(announce.WebhookOptions{URL: h.URL, SecretFile: h.SecretFile, CAFile: h.CAFile,
			DeviceID: device, Outbox: outbox, Log: o.log})
		post(webhookPath, sensors.WebhookLink, c, err)
	}
	if m := o.cfg.Mail; m != nil {
		c, err := announce.NewMail(announce.MailOptions{Server: m.Server, From: m.From, To: m.To, User: m.User,
			PasswordFile: m.PasswordFile, CAFile: m.CAFile, DeviceID: device, Zone: o.cfg.Core.Nights.Zone, Outbox: outbox, Log: o.log})
		post(mailPath, sensors.MailLink, c, err)
	}
}

// unused is a path that is configured and cannot be used, for the page.
func unused(name string, err error) web.Path {
	return web.Path{Name: name, State: func() string { return "Not in use: " + err.Error() + "." }}
}

// device names this van to those who get its messages, by the same name on every path.
func (o *outfit) device() string {
	if o.cfg.MQTT != nil && o.cfg.MQTT.Device != "" {
		return o.cfg.MQTT.Device
	}
	return deviceID()
}
