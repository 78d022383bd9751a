package announce

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	mrand "math/rand/v2"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"frostline/alerts"
)

// mosquitto is a real broker that a test can stop and start.
type mosquitto struct {
	path, conf, addr string
	cmd              *exec.Cmd
}

// newMosquitto starts a broker at an address of [ownAddress] with these lines of configuration.
func newMosquitto(t *testing.T, addr string, config ...string) *mosquitto {
	t.Helper()
	m := &mosquitto{path: program(t, "mosquitto"), conf: filepath.Join(t.TempDir(), "mosquitto.conf"), addr: addr}
	host, port, err := net.SplitHostPort(m.addr)
	if err != nil {
		t.Fatal(err)
	}
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	config = append([]string{"user " + me.Username, "listener " + port + " " + host}, config...)
	if err := os.WriteFile(m.conf, []byte(strings.Join(config, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m.start(t)
	t.Cleanup(func() { m.stop(t, syscall.SIGKILL) })
	return m
}

// ownAddress is a free port on an address of loopback that nothing else uses, so that it
// stays free while a broker is away: no other test and no outgoing connection takes it.
func ownAddress(t *testing.T) string {
	t.Helper()
	host := fmt.Sprintf("127.%d.%d.%d", 1+mrand.N(254), mrand.N(256), 1+mrand.N(254))
	l, err := net.Listen("tcp", host+":0")
	if err != nil { // a system whose loopback is one address
		l, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func (m *mosquitto) start(t *testing.T) {
	t.Helper()
	m.cmd = exec.Command(m.path, "-c", m.conf)
	out := newLedger()
	m.cmd.Stdout, m.cmd.Stderr = lines{out}, lines{out}
	if err := m.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	out.until(t, 0, "mosquitto to run", func(hs []heard) bool {
		var all strings.Builder
		for _, h := range hs {
			all.WriteString(h.payload)
		}
		return strings.Contains(all.String(), "running")
	})
}

func (m *mosquitto) stop(t *testing.T, sig syscall.Signal) {
	t.Helper()
	if m.cmd == nil {
		return
	}
	if err := m.cmd.Process.Signal(sig); err != nil {
		t.Error(err)
	}
	m.cmd.Wait() // killed: its exit code says nothing
	m.cmd = nil
}

func TestTheBrokerStopsAndStartsWhileAlarmsAreRaised(t *testing.T) {
	for _, sig := range []syscall.Signal{syscall.SIGKILL, syscall.SIGTERM} {
		for _, persistence := range []bool{true, false} {
			t.Run(fmt.Sprintf("%v, persistence %v", sig, persistence), func(t *testing.T) {
				config := []string{"allow_anonymous true"}
				if persistence {
					config = append(config, "persistence true", "persistence_location "+t.TempDir()+"/",
						"autosave_on_changes true", "autosave_interval 1")
				}
				stopAndStart(t, newMosquitto(t, ownAddress(t), config...), sig)
			})
		}
	}
}

func stopAndStart(t *testing.T, broker *mosquitto, sig syscall.Signal) {
	s := newShop()
	r := openRoad(t, broker.addr, nil)
	before := watch(t, broker.addr)
	a := announce(t, Options{Broker: r.addr, Outbox: s}, vanAt(1))
	before.until(t, 0, "ready", saw(stateTopic, stateReady))
	seq := uint64(0)
	raise := func(n int) {
		for range n {
			seq++
			snap := put(vanAt(seq+1), "gas-leave", []alerts.State{alerts.Normal, alerts.Unacked, alerts.Acked}[seq%3], seq)
			s.take(t, snap)
			a.Deliver(snap)
		}
	}
	raise(3)
	before.until(t, 0, "three alarms", nEvents(3))

	// The road dies before the broker: it must speak our will.
	r.cut()
	before.until(t, 0, "lost", saw(stateTopic, stateLost))
	a.connected(t, 2)

	broker.stop(t, sig)
	raise(4)
	a.logged(t, "broker away")
	raise(3)
	r.set(false) // until the watcher is back, who keeps no session
	broker.start(t)
	after := watch(t, broker.addr)
	r.set(true)
	raise(2)
	got := after.until(t, 0, "the last alarm", func(hs []heard) bool {
		return slices.ContainsFunc(messages(t, hs), func(e cloudEvent) bool { return e.Sequence == fmt.Sprintf("%020d", seq) })
	})

	// What was not acknowledged when the road was cut is sent again by the same
	// id, to either watcher: the first of each must be there, and in order.
	old, _ := before.list()
	var events []cloudEvent
	seen := map[string]bool{}
	for _, e := range append(messages(t, old), messages(t, got)...) {
		if !seen[e.ID] {
			seen[e.ID] = true
			events = append(events, e)
		}
	}
	for i, e := range events {
		if want := fmt.Sprintf("%020d", i+1); e.Sequence != want {
			t.Fatalf("alarm %d has sequence %s, want %s: lost or out of order", i, e.Sequence, want)
		}
	}
	if len(events) != int(seq) {
		t.Errorf("%d alarms arrived, want %d", len(events), seq)
	}

	got = slices.DeleteFunc(slices.Clone(got), func(h heard) bool { return h.retain || h.topic != stateTopic })
	if len(got) != 2 || got[0].payload != stateInit || got[1].payload != stateReady {
		t.Errorf("the birth after the restart was %v, want init and ready", got)
	}
	held := watch(t, broker.addr).until(t, 0, "everything that is retained", func(hs []heard) bool {
		return saw(stateTopic, stateReady)(hs) && saw("homie/5/"+deviceID+"/fuel/mass", "4.21")(hs) &&
			slices.ContainsFunc(hs, func(h heard) bool { return strings.HasSuffix(h.topic, "$description") })
	})
	for _, h := range held {
		if h.topic == eventsTopic {
			t.Errorf("an alarm event is retained: %v", h)
		}
	}
	a.stop()
	if _, lost := a.health(); lost != 0 || s.left() != 0 {
		t.Errorf("%v lost, %d rows left, want none", lost, s.left())
	}
}

func TestAWrongPasswordIsSaidAndTriedAgain(t *testing.T) {
	dir := t.TempDir()
	passwords, secret := filepath.Join(dir, "passwords"), filepath.Join(dir, "secret")
	if out, err := exec.Command(program(t, "mosquitto_passwd"), "-b", "-c", passwords, "van", "right").CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd: %v: %s", err, out)
	}
	broker := newMosquitto(t, ownAddress(t), "allow_anonymous false", "password_file "+passwords)
	for password, want := range map[string]string{"right": "broker connected", "wrong": "broker away"} {
		if err := os.WriteFile(secret, []byte(password+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		a := announce(t, Options{Broker: broker.addr, User: "van", PasswordFile: secret}, vanAt(1))
		a.logged(t, want)
		if link, _ := a.health(); (link == 1) != (password == "right") {
			t.Errorf("%s password: link %v", password, link)
		}
		a.stop()
		all, _ := a.log.list()
		for _, line := range all {
			if strings.Contains(line.payload, password) {
				t.Errorf("the log shows the password: %s", line.payload)
			}
		}
	}
}

// authority is a certificate authority of our own, for one test.
type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	file string
}

func newAuthority(t *testing.T, dir, name string) *authority {
	t.Helper()
	a := &authority{file: filepath.Join(dir, name+".pem")}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, IsCA: true,
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}
	a.key = newKey(t)
	der, err := x509.CreateCertificate(rand.Reader, template, template, a.key.Public(), a.key)
	if err != nil {
		t.Fatal(err)
	}
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	writePEM(t, a.file, "CERTIFICATE", der)
	return a
}

// issue makes a certificate and its key, in files; hosts are the addresses it is good for.
func (a *authority) issue(t *testing.T, dir, name string, usage x509.ExtKeyUsage, hosts ...net.IP) (cert, key string) {
	t.Helper()
	cert, key = filepath.Join(dir, name+".pem"), filepath.Join(dir, name+".key")
	k := newKey(t)
	template := &x509.Certificate{SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, IPAddresses: hosts,
		ExtKeyUsage: []x509.ExtKeyUsage{usage}, NotBefore: a.cert.NotBefore, NotAfter: a.cert.NotAfter}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, k.Public(), a.key)
	if err != nil {
		t.Fatal(err)
	}
	writePEM(t, cert, "CERTIFICATE", der)
	keyDER, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	writePEM(t, key, "PRIVATE KEY", keyDER)
	return cert, key
}

func newKey(t *testing.T) *ecdsa.PrivateKey {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func writePEM(t *testing.T, path, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestTheBrokerIsKnownByItsCertificateAndTheVanByItsOwn(t *testing.T) {
	dir := t.TempDir()
	ours, theirs := newAuthority(t, dir, "ours"), newAuthority(t, dir, "theirs")
	addr := ownAddress(t)
	host, _, _ := net.SplitHostPort(addr)
	serverCert, serverKey := ours.issue(t, dir, "server", x509.ExtKeyUsageServerAuth, net.ParseIP(host))
	vanCert, vanKey := ours.issue(t, dir, "van", x509.ExtKeyUsageClientAuth)
	broker := newMosquitto(t, addr, "allow_anonymous true", "cafile "+ours.file, "certfile "+serverCert, "keyfile "+serverKey, "require_certificate true")
	for name, tt := range map[string]struct {
		o    Options
		want string
	}{
		"both known":           {Options{CAFile: ours.file, CertFile: vanCert, KeyFile: vanKey}, "broker connected"},
		"another's authority":  {Options{CAFile: theirs.file, CertFile: vanCert, KeyFile: vanKey}, "broker away"},
		"no certificate of us": {Options{CAFile: ours.file}, "broker away"},
		"the system's list":    {Options{CertFile: vanCert, KeyFile: vanKey}, "broker away"},
	} {
		t.Run(name, func(t *testing.T) {
			tt.o.Broker = "mqtts://" + broker.addr
			a := announce(t, tt.o, vanAt(1))
			a.logged(t, tt.want)
			if link, _ := a.health(); (link == 1) != (tt.want == "broker connected") {
				t.Errorf("link %v after %q", link, tt.want)
			}
		})
	}
}
