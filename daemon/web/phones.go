package web

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

const (
	idleLimit  = 90 * 24 * time.Hour  // a phone that has not asked for so long is paired no more
	wholeLimit = 365 * 24 * time.Hour // nor one that was paired so long ago
	offerLasts = 10 * time.Minute     // of a code; ASVS 6.5.5 asks for no more
	notedEvery = 24 * time.Hour       // how often it is written down that a phone was seen
	maxPhones  = 32
	maxOffers  = 4
	maxName    = 40 // letters, and
	maxNameB   = 64 // bytes: an order carries it, and the recording
	saveWait   = 5 * time.Second
)

// pairedPhone is one that was paired, as it is kept. Its session id is not: only the hash of it.
//
// Its moments are by the wall clock, which a board without a network may have wrong by
// decades. So they are noted and judged only while the clock is trusted, and a phone that
// was paired before that gets its moment when the clock has become right. Within one run
// the monotonic clock judges too.
type pairedPhone struct {
	ID     string        `json:"id"` // names it, and is no secret
	Name   string        `json:"name"`
	Role   phoneRole     `json:"role"`
	Hash   string        `json:"hash"` // SHA-256 of the session id, hex
	Paired time.Time     `json:"paired,omitzero"`
	Seen   time.Time     `json:"seen,omitzero"`
	For    time.Duration `json:"for_ns,omitzero"` // it is paired for so long; 0 is wholeLimit

	began time.Time // in this run
	noted time.Time // when Seen was last handed to the disk
}

// phoneRole is a role in JSON: viewer or owner and nothing else.
type phoneRole struct{ role }

func (r phoneRole) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

func (r *phoneRole) UnmarshalText(text []byte) error {
	named, ok := roleNamed(string(text))
	if !ok {
		return fmt.Errorf("role: %q is neither viewer nor owner", text)
	}
	r.role = named
	return nil
}

// lasts is how long after its pairing the phone stays paired.
func (p *pairedPhone) lasts() time.Duration {
	if p.For > 0 {
		return min(p.For, wholeLimit)
	}
	return wholeLimit
}

// over reports whether its time is over.
func (p *pairedPhone) over(now time.Time, trusted bool) bool {
	if now.Sub(p.began) > p.lasts() {
		return true
	}
	if !trusted || p.Paired.IsZero() {
		return false
	}
	return now.Sub(p.Paired) > p.lasts() || now.Sub(p.Seen) > idleLimit
}

// offer is one invitation to pair. It lives in memory, as hashes.
type offer struct {
	link, code [sha256.Size]byte
	name       string
	role       role
	lasts      time.Duration
	until      time.Time
}

// phones are the paired phones and the open offers. The file is written by whoever
// changes something; nobody who only asks waits for the disk.
type phones struct {
	path string // "" keeps them for this run only
	log  *slog.Logger

	mu     sync.Mutex // guards what follows; never held during I/O
	list   []*pairedPhone
	offers []offer
	open   map[string]int // streams, by the phone's id and by the address

	saving chan struct{} // holds a token while the file is written
}

// phonesFile is what the file holds.
type phonesFile struct {
	Version int            `json:"version"`
	Phones  []*pairedPhone `json:"phones"`
}

// loadPhones reads the phones that were paired. A file that cannot be read pairs nobody:
// it is put aside, and the page asks for new pairing.
func loadPhones(path string, log *slog.Logger) *phones {
	p := &phones{path: path, log: log, open: make(map[string]int), saving: make(chan struct{}, 1)}
	if path == "" {
		return p
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return p
	}
	if err == nil {
		p.list, err = parsePhones(text)
	}
	if err != nil {
		log.Error("paired phones cannot be read; they must be paired again", "err", err)
		_ = os.Rename(path, path+".damaged") // for whoever wants to look; the next pairing begins a new file
	}
	return p
}

// parsePhones reads a file of phones, all or none of it.
func parsePhones(text []byte) ([]*pairedPhone, error) {
	var f phonesFile
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, fmt.Errorf("phones: %w", err)
	}
	if f.Version != 1 {
		return nil, fmt.Errorf("phones: version %d is not known here", f.Version)
	}
	now := time.Now()
	for _, p := range f.Phones {
		switch {
		case p == nil || p.ID == "" || len(p.Hash) != 2*sha256.Size || p.Role.role == nobody || p.For < 0:
			return nil, errors.New("phones: an entry is not whole")
		case p.Name != cleanName(p.Name) || p.Name == "":
			return nil, fmt.Errorf("phones: %q is no name", p.Name)
		}
		p.began, p.noted = now, p.Seen
	}
	return f.Phones, nil
}

// find is the phone of a session id. It notes that it was seen: in memory each time, on
// the disk once a day, and then no page waits for it.
func (p *phones) find(session string, trusted bool) (pairedPhone, bool) {
	if session == "" {
		return pairedPhone{}, false
	}
	hash := hashOf(session)
	now := time.Now()
	p.mu.Lock()
	defer p.mu.Unlock()
	i := slices.IndexFunc(p.list, func(q *pairedPhone) bool { return q.Hash == hash })
	if i < 0 || p.list[i].over(now, trusted) {
		return pairedPhone{}, false
	}
	q := p.list[i]
	if trusted {
		q.seen(now)
		if now.Sub(q.noted) > notedEvery {
			q.noted = wall(now)
			select {
			case p.saving <- struct{}{}: // one at a time: a card that hangs costs one goroutine
				go func() {
					defer func() { <-p.saving }()
					if err := p.write(); err != nil {
						p.log.Warn("when phones were seen is not noted", "err", err)
					}
				}()
			default:
			}
		}
	}
	return *q, true
}

func (p *pairedPhone) seen(now time.Time) {
	p.Seen = wall(now)
	if p.Paired.IsZero() {
		p.Paired = p.Seen
	}
}

// wall is a moment to be kept: the second by UTC, without the monotonic reading.
func wall(t time.Time) time.Time { return t.UTC().Round(0).Truncate(time.Second) }

// follow counts a stream in for each that it counts for, unless one of them has its most:
// then it counts nothing and names that one, or "" if it was counted.
func (p *phones) follow(most map[string]int) (full string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for who, n := range most {
		if p.open[who] >= n {
			full = max(full, who) // of two the same one each time
		}
	}
	if full != "" {
		return full
	}
	for who := range most {
		p.open[who]++
	}
	return ""
}

// unfollow counts a stream out again.
func (p *phones) unfollow(most map[string]int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for who := range most {
		if p.open[who]--; p.open[who] == 0 {
			delete(p.open, who)
		}
	}
}

// all lists the phones whose time is not over, in the order of pairing.
func (p *phones) all(trusted bool) []pairedPhone {
	now := time.Now()
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []pairedPhone
	for _, q := range p.list {
		if !q.over(now, trusted) {
			out = append(out, *q)
		}
	}
	return out
}

// invite makes an offer: a token for a link and a code to type, either of which pairs one
// phone within ten minutes. The oldest open offer makes room.
func (p *phones) invite(name string, r role, lasts time.Duration) (token, code string) {
	token, code = secret(16), newCode()
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	p.offers = slices.DeleteFunc(p.offers, func(o offer) bool { return now.After(o.until) })
	if len(p.offers) >= maxOffers {
		p.offers = p.offers[1:]
	}
	p.offers = append(p.offers, offer{sha256.Sum256([]byte(token)), sha256.Sum256([]byte(plainCode(code))), name, r, lasts, now.Add(offerLasts)})
	return token, code
}

// redeem uses up the offer that a token or a typed code names.
func (p *phones) redeem(given string) (offer, bool) {
	if len(given) > 64 {
		return offer{}, false
	}
	asLink, asCode := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(plainCode(given)))
	now := time.Now()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.offers = slices.DeleteFunc(p.offers, func(o offer) bool { return now.After(o.until) })
	for i, o := range p.offers {
		if o.link == asLink || o.code == asCode {
			p.offers = slices.Delete(p.offers, i, i+1)
			return o, true
		}
	}
	return offer{}, false
}

var errTooManyPhones = fmt.Errorf("%d phones are paired, and there is room for no more: revoke one, then ask for a new code", maxPhones)

// errPhoneUnkept is wrapped when a change took effect and could not be written down.
var errPhoneUnkept = errors.New("it could not be written to the disk and holds until the next restart only")

// admit pairs a phone and returns its session id, which is kept nowhere. The phone with the
// id instead, "" for none, is the same one paired anew: its old session ends, and its name and
// its place are free for it. The error may be errPhoneUnkept.
func (p *phones) admit(o offer, name string, trusted bool, instead string) (session string, q pairedPhone, err error) {
	session = secret(32)
	now := time.Now()
	p.mu.Lock()
	p.list = slices.DeleteFunc(p.list, func(q *pairedPhone) bool { return q.ID == instead || q.over(now, trusted) })
	if len(p.list) >= maxPhones {
		p.mu.Unlock()
		return "", pairedPhone{}, errTooManyPhones
	}
	added := &pairedPhone{ID: hex.EncodeToString(random(4)), Name: p.freeName(name), Role: phoneRole{o.role},
		Hash: hashOf(session), For: o.lasts, began: now}
	if trusted {
		added.seen(now)
		added.noted = added.Seen
	}
	p.list = append(p.list, added)
	q = *added
	p.mu.Unlock()
	return session, q, p.save()
}

// freeName is the name, or the name with a number, that no phone has yet.
func (p *phones) freeName(name string) string {
	taken := func(n string) bool {
		return slices.ContainsFunc(p.list, func(q *pairedPhone) bool { return strings.EqualFold(q.Name, n) })
	}
	if !taken(name) {
		return name
	}
	for n := 2; ; n++ {
		number := fmt.Sprintf(" %d", n)
		short := []rune(name)
		for len(short) > maxName-len(number) || len(string(short)) > maxNameB-len(number) {
			short = short[:len(short)-1]
		}
		if next := string(short) + number; !taken(next) {
			return next
		}
	}
}

// revoke ends the pairing of the phone with that id or name, and returns it. It takes
// effect at once; errPhoneUnkept says that a restart would undo it.
func (p *phones) revoke(which string) (pairedPhone, error) {
	p.mu.Lock()
	i := slices.IndexFunc(p.list, func(q *pairedPhone) bool { return q.ID == which || strings.EqualFold(q.Name, which) })
	if i < 0 {
		p.mu.Unlock()
		return pairedPhone{}, fmt.Errorf("no phone is called %q", which)
	}
	gone := *p.list[i]
	p.list = slices.Delete(p.list, i, i+1)
	p.mu.Unlock()
	return gone, p.save()
}

// save writes the file, unless a write that hangs is in the way.
func (p *phones) save() error {
	if p.path == "" {
		return nil
	}
	late := time.NewTimer(saveWait)
	defer late.Stop()
	select {
	case p.saving <- struct{}{}:
		defer func() { <-p.saving }()
	case <-late.C:
		return fmt.Errorf("%w (the disk does not answer)", errPhoneUnkept)
	}
	if err := p.write(); err != nil {
		p.log.Error("paired phones are not written down", "err", err)
		return fmt.Errorf("%w (%w)", errPhoneUnkept, err)
	}
	return nil
}

// write puts the file in place of the old one, whole or not at all.
func (p *phones) write() error {
	if p.path == "" {
		return nil
	}
	p.mu.Lock()
	text, err := json.MarshalIndent(phonesFile{1, p.list}, "", "\t")
	p.mu.Unlock()
	if err != nil {
		return err
	}
	next := p.path + ".new"
	f, err := os.OpenFile(next, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(append(text, '\n'))
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(next, p.path)
	}
	if err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(p.path)) // the new name must be on the disk too
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// random is n bytes that nobody can guess. crypto/rand never fails.
func random(n int) []byte {
	b := make([]byte, n)
	rand.Read(b)
	return b
}

// secret is n random bytes as text for a URL or a cookie.
func secret(n int) string { return base64.RawURLEncoding.EncodeToString(random(n)) }

func hashOf(session string) string {
	sum := sha256.Sum256([]byte(session))
	return hex.EncodeToString(sum[:])
}

// codeLetters have no two that look alike: Crockford's base 32, which leaves out I, L, O
// and U. Eight of them are 40 bits.
const codeLetters = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// newCode is a code to read aloud and type, as "K7QD-2M9X".
func newCode() string {
	b := random(8)
	for i := range b {
		b[i] = codeLetters[b[i]%32] // 256 is a multiple of 32, so no letter is likelier
	}
	return string(b[:4]) + "-" + string(b[4:])
}

// plainCode is a typed code as it was meant: any case, any spacing, and the letters that
// the alphabet leaves out read as what they look like.
func plainCode(typed string) string {
	return strings.Map(func(c rune) rune {
		switch c = unicode.ToUpper(c); c {
		case 'O':
			return '0'
		case 'I', 'L':
			return '1'
		case '-', ' ', '\u2010', '\u2011', '\u2013', '\u00a0':
			return -1
		}
		return c
	}, typed)
}

// cleanName is a name that a log line, a recording and a page can carry: one line of at
// most maxName printing letters, without space around; "" if nothing is left.
func cleanName(name string) string {
	if !utf8.ValidString(name) {
		return ""
	}
	name = strings.TrimSpace(strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return -1
		}
		return c
	}, name))
	letters := 0
	for i, c := range name {
		if letters++; letters > maxName || i+utf8.RuneLen(c) > maxNameB {
			return strings.TrimSpace(name[:i])
		}
	}
	return name
}
