package web

import (
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"frostline/daemon/core"
)

// TestAPhoneIsPairedLooksChangesTheCylinderAndIsRevoked is the life of a phone in a real
// browser, from the link in the code to the door.
func TestAPhoneIsPairedLooksChangesTheCylinderAndIsRevoked(t *testing.T) {
	v := follow1(t, quietEvening(), func(o *Options) { o.Open, o.Listen = false, "192.0.2.10:8460" })
	v.until("the door, for who is not paired", `location.pathname === "/pair" && document.querySelector("h1").textContent === "Pair this phone"`)
	token, _ := v.page.phones.invite("Anna's phone", owner, 0)
	v.do(chromedp.Navigate("about:blank"), chromedp.Navigate(v.url+"/pair#"+token))
	v.until("the page, paired", `location.pathname === "/" && document.querySelector("h1").textContent.startsWith("Likely enough")`)
	if at := eval[string](v.tab, `location.href + document.referrer`); strings.Contains(at, token) {
		t.Errorf("the token stays in the address: %s", at)
	}

	v.do(chromedp.Navigate(v.url + "/change"))
	v.until("the form", `document.getElementById("another") !== null`)
	v.press(`#another input[value=mix]`)
	v.do(chromedp.SendKeys(chromedp.CSS("#tare"), "7.9"))
	v.until("the net weight while the tare is typed", `document.getElementById("net").textContent.includes("kg")`)
	v.press(`#another button.big`)
	v.until("the answer", `document.querySelector(".said") !== null && document.querySelector(".said").getAttribute("role") === "status"`)
	var got core.Command
	select {
	case got = <-v.told:
	default:
		t.Fatal("the van was told nothing")
	}
	if got.Changed == nil || got.Changed.TareKg != 7.9 || got.Changed.Blend != "mix" || got.Actor != "phone Anna's phone" {
		t.Errorf("the van was told %+v by %q, want another cylinder with a mix and a tare of 7.9 kg, by the phone", got.Changed, got.Actor)
	}

	v.do(chromedp.Navigate(v.url + "/"))
	await(t, "the stream of the open page", func() bool { return len(v.page.streams) == 1 })
	if _, err := v.page.phones.revoke("Anna's phone"); err != nil {
		t.Fatal(err)
	}
	v.page.Deliver(quietEvening()) // a beat, at which the stream looks who asks
	v.until("the door, for who was revoked", `location.pathname === "/pair"`)

	here, err := url.Parse(v.url)
	if err != nil {
		t.Fatal(err)
	}
	v.do(chromedp.Navigate("http://elsewhere.localhost:" + here.Port() + "/pair"))
	v.until("some page under another name", `location.hostname === "elsewhere.localhost"`)
	if text := v.text(); !strings.Contains(text, "not one this page answers to") || strings.Contains(text, "Pair this phone") {
		t.Errorf("under another name the page says %q", text)
	}
}
