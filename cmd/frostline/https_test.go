package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"frostline/config"
	"frostline/daemon/web"
)

// writeCertificate puts a new self-signed certificate with this serial number where a page
// finds it.
func writeCertificate(t *testing.T, certFile, keyFile string, serial int64) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "van.local"}, DNSNames: []string{"localhost"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for file, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: der}, keyFile: {Type: "PRIVATE KEY", Bytes: keyDER}} {
		// Renamed into place, as whoever renews one should.
		if err := os.WriteFile(file+".new", pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(file+".new", file); err != nil {
			t.Fatal(err)
		}
	}
}

func TestACertificateIsRenewedWithoutARestartAndABadOneStopsNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var log journal
	o := &outfit{cfg: &config.Config{Page: config.Page{CertFile: certFile, KeyFile: keyFile}}, page: ln,
		log: slog.New(slog.NewTextHandler(&log, nil)), web: web.New(web.Options{Open: true, HTTPS: true})}
	var wg sync.WaitGroup
	stop := o.servePage(t.Context(), &wg)
	defer func() { stop(); wg.Wait() }()

	addr := ln.Addr().String()
	serial := func() (int64, error) {
		// #nosec: the test looks at the certificate itself
		c, err := tls.Dial("tcp", addr, &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS12})
		if err != nil {
			return 0, err
		}
		defer c.Close()
		return c.ConnectionState().PeerCertificates[0].SerialNumber.Int64(), nil
	}
	becomes := func(what string, want int64) {
		t.Helper()
		var got int64
		var err error
		for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
			if got, err = serial(); got == want && (err == nil || want == 0) {
				return
			}
		}
		t.Errorf("%s: certificate %d (%v), want %d", what, got, err, want)
	}
	if _, err := serial(); err == nil || !strings.Contains(log.String(), "certificate cannot be read") {
		t.Errorf("without a certificate: %v, log %q; want no connection and the reason", err, log.String())
	}
	writeCertificate(t, certFile, keyFile, 7)
	becomes("once it is there", 7)
	writeCertificate(t, certFile, keyFile, 8)
	becomes("renewed", 8)
	if err := os.WriteFile(keyFile, []byte("nonsense"), 0o600); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(patience); time.Now().Before(deadline) && strings.Count(log.String(), "cannot be read") < 2; time.Sleep(50 * time.Millisecond) {
		if n, err := serial(); n != 8 {
			t.Fatalf("with a broken renewal: certificate %d, %v; want the old one", n, err)
		}
	}
	writeCertificate(t, certFile, keyFile, 9)
	becomes("mended", 9)

	if _, err := tls.Dial("tcp", addr, &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("TLS 1.1 was taken")
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, ForceAttemptHTTP2: true}}
	answer, err := client.Get("https://" + addr + "/")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode != 200 || answer.ProtoMajor != 2 || !strings.Contains(string(body), "<h1") {
		t.Errorf("page: %s over %s, %v", answer.Status, answer.Proto, err)
	}
	if got := answer.Header.Get("Strict-Transport-Security"); got != "max-age=2592000" {
		t.Errorf("Strict-Transport-Security %q", got)
	}
	client.CloseIdleConnections()
}

func TestATokenThatIsTooShortIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "token")
	for text, want := range map[string]string{"0123456789abcdef\n": "0123456789abcdef", "short\n": "", "": ""} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if got, err := readToken(file); got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v", text, got, err)
		}
	}
	t.Setenv("CREDENTIALS_DIRECTORY", filepath.Dir(file))
	if got := credential("token"); got != file {
		t.Errorf("a credential by name is looked for at %s", got)
	}
}

func TestCheckFindsACertificateNobodyCanUse(t *testing.T) {
	dir := t.TempDir()
	p := config.Page{CertFile: filepath.Join(dir, "cert.pem"), KeyFile: filepath.Join(dir, "key.pem"), MetricsTokenFile: filepath.Join(dir, "none")}
	found := checkPage(p, time.Now())
	if len(found) != 2 || found[0].OK || found[1].OK || found[0].DoThis == "" || found[1].DoThis == "" {
		t.Errorf("without any file: %+v", found)
	}
	writeCertificate(t, p.CertFile, p.KeyFile, 1)
	for wait, ok := range map[time.Duration]bool{0: true, 2 * time.Hour: false, -2 * time.Hour: false} {
		if f := checkPage(p, time.Now().Add(wait))[0]; f.OK != ok || (f.Wrong == "") != ok {
			t.Errorf("%v from now: %+v, want it good: %v", wait, f, ok)
		}
	}
	if found := checkPage(config.Page{}, time.Now()); len(found) != 0 {
		t.Errorf("plain HTTP: %+v", found)
	}
}
