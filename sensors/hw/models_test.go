package hw

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// The chips of these tests are models of registers that answer in made-up time. They hold
// what the drivers are told in their comments to be from memory; no real chip was asked.

// modelBus is an I2C adapter with models on it.
type modelBus struct {
	mu    sync.Mutex
	chips map[uint16]model
	err   error         // what every transaction ends with
	low   bool          // SDA shorted to ground: everything is acknowledged, all is zero
	high  bool          // everything read is ones
	hang  chan struct{} // a transaction comes back when it is closed

	after   func() // runs once, behind the next transaction that reads a value
	afterOf model  // of this chip; nil: of any
}

// do changes the bus between two ticks.
func (b *modelBus) do(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

// release lets a transaction go that hangs.
func (b *modelBus) release() {
	if b.hang != nil {
		close(b.hang)
		b.hang = nil
	}
}

// model is a chip: w was written, then r is read.
type model interface {
	tx(w, r []byte)
	isValue(w []byte) bool // the transaction reads a value and no settings
	lose()                 // its supply, for a moment
}

func (b *modelBus) String() string                  { return "bcm2835 (i2c@7e804000)" }
func (b *modelBus) SetSpeed(physic.Frequency) error { return nil }

func (b *modelBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	hang := b.hang
	b.mu.Unlock()
	if hang != nil {
		<-hang
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	c := b.chips[addr]
	switch {
	case b.err != nil:
		return b.err
	case b.low:
		clear(r)
		return nil
	case b.high:
		for i := range r {
			r[i] = 0xFF
		}
		return nil
	case c == nil:
		return syscall.ENXIO
	}
	c.tx(w, r)
	if b.after != nil && c.isValue(w) && (b.afterOf == nil || b.afterOf == c) {
		b.after()
		b.after = nil
	}
	return nil
}

// modelADS is an ads1115: a pointer of one byte, registers of two.
type modelADS struct {
	volts     [8]float64 // by the multiplexer's code
	slow      float64    // how much longer a conversion takes
	dead      bool       // conversions never end
	stuckMux  bool       // the multiplexer stays where it was, whatever is asked
	config    uint16
	value     int16
	readyAt   time.Time
	converted bool
}

func newModelADS() *modelADS {
	m := &modelADS{slow: 1}
	m.lose()
	return m
}

func (m *modelADS) lose() { m.config, m.value, m.converted = adsPowerOn&^adsBegin, 0, true }

func (m *modelADS) isValue(w []byte) bool { return len(w) == 1 && w[0] == adsConversion }

func (m *modelADS) tx(w, r []byte) {
	if len(w) == 3 && w[0] == adsConfig {
		asked := binary.BigEndian.Uint16(w[1:])
		begin := asked&adsBegin != 0
		asked &^= adsBegin
		if m.stuckMux {
			asked = asked&^(7<<12) | m.config&(7<<12)
		}
		m.config = asked
		if begin {
			m.converted = false
			m.readyAt = time.Now().Add(time.Duration(m.slow * float64(time.Second) / 128))
		}
	}
	if !m.converted && !m.dead && !time.Now().Before(m.readyAt) {
		m.converted = true
		code := m.volts[m.config>>12&7] / adsVoltsPerCode
		m.value = int16(max(math.MinInt16, min(math.MaxInt16, math.Round(code))))
	}
	if len(r) == 2 {
		v := uint16(m.value)
		if w[0] == adsConfig {
			if v = m.config; m.converted {
				v |= adsBegin
			}
		}
		binary.BigEndian.PutUint16(r, v)
	}
}

// modelNAU is a nau7802: registers of a byte, in a row.
type modelNAU struct {
	reg    [32]byte
	counts int32
	dead   bool // conversions never end
	period time.Duration
	due    time.Time
}

func newModelNAU() *modelNAU {
	m := &modelNAU{period: nauPeriod}
	m.lose()
	return m
}

func (m *modelNAU) lose() {
	m.reg = [32]byte{}
	m.reg[nauRevision] = 0x0f
}

func (m *modelNAU) isValue(w []byte) bool { return len(w) == 1 && w[0] == nauValue }

func (m *modelNAU) tx(w, r []byte) {
	now := time.Now()
	if len(w) > 1 {
		for i, v := range w[1:] {
			m.reg[int(w[0])+i] = v
		}
		if m.reg[nauPower]&nauReset != 0 {
			m.lose()
		}
		if w[0] == nauPower && w[1]&nauConvert != 0 {
			m.due = now.Add(4 * m.period)
		}
	}
	if m.reg[nauPower]&nauDigital != 0 {
		m.reg[nauPower] |= nauPowerReady
	}
	if m.reg[nauPower]&nauConvert != 0 && !m.dead && !now.Before(m.due) {
		for !now.Before(m.due) {
			m.due = m.due.Add(m.period)
		}
		counts := m.counts
		if m.reg[nauGain] != nauFront {
			counts /= 128
		}
		m.reg[nauPower] |= nauReady
		m.reg[nauValue], m.reg[nauValue+1], m.reg[nauValue+2] = byte(counts>>16), byte(counts>>8), byte(counts)
	}
	for i := range r {
		r[i] = m.reg[int(w[0])+i]
	}
	if len(r) == 3 && w[0] == nauValue {
		m.reg[nauPower] &^= nauReady
	}
}

// modelBME is a bme280 or bmp280 with the trim of the data sheet's example. It holds codes,
// not temperatures.
type modelBME struct {
	id      byte
	reg     [256]byte
	p, t, h int32
	dead    bool // measurements never end
	measure time.Time
	busy    bool
	trim    [24]byte
	flip    bool // one bit of the trim is wrong at every second read
}

// sheetTrim is the trim of the example in the data sheet of the barometer, from memory.
func sheetTrim() (b [24]byte) {
	for i, v := range []int{27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000} {
		binary.LittleEndian.PutUint16(b[2*i:], uint16(v))
	}
	return b
}

func newModelBME(id byte) *modelBME {
	m := &modelBME{id: id, p: 415148, t: 519888, h: 0x6B00, trim: sheetTrim()}
	m.lose()
	return m
}

func (m *modelBME) lose() {
	m.reg = [256]byte{}
	copy(m.reg[bmeCalibration:], m.trim[:])
	m.reg[bmeID] = m.id
	if m.id == 0x60 { // made up, of the usual size
		m.reg[bmeHumidityH1] = 75
		copy(m.reg[bmeHumidityH2:], []byte{0x6D, 0x01, 0x00, 0x13, 0x2A, 0x03, 0x1E})
	}
	m.values(bmeSkipped, bmeSkipped, bmeSkippedH)
	m.busy = false
}

func (m *modelBME) values(p, t, h int32) {
	copy(m.reg[bmeValue:], []byte{byte(p >> 12), byte(p >> 4), byte(p << 4), byte(t >> 12), byte(t >> 4), byte(t << 4), byte(h >> 8), byte(h)})
}

func (m *modelBME) isValue(w []byte) bool { return len(w) == 1 && w[0] == bmeValue }

func (m *modelBME) tx(w, r []byte) {
	now := time.Now()
	if len(w) == 2 && (m.id == 0x60 || w[0] != bmeHumidity) {
		m.reg[w[0]] = w[1]
		if w[0] == bmeMeasure && w[1]&bmeMode == bmeOnce {
			m.busy, m.measure = true, now.Add(16*time.Millisecond)
		}
	}
	if m.busy && !m.dead && !now.Before(m.measure) {
		m.busy = false
		m.reg[bmeMeasure] &^= bmeMode
		t, p, h := m.t, m.p, m.h
		if m.reg[bmeMeasure]>>5 == 0 {
			t = bmeSkipped
		}
		if m.reg[bmeMeasure]>>2&7 == 0 {
			p = bmeSkipped
		}
		if m.reg[bmeHumidity]&7 == 0 {
			h = bmeSkippedH
		}
		m.values(p, t, h)
	}
	m.reg[bmeStatus] = 0
	if m.busy {
		m.reg[bmeStatus] = 1 << 3
	}
	for i := range r {
		r[i] = m.reg[int(w[0])+i]
	}
	if m.flip && len(r) == 24 {
		m.reg[bmeCalibration+3] ^= 1
	}
}

// adapterTree lays two adapters, as a board has them.
func adapterTree(t *testing.T) tree {
	tr := newTree(t)
	tr.plug(I2C, "platform/soc/fe804000.i2c", "i2c-1", files{"name": "bcm2835 (i2c@7e804000)\n"})
	tr.plug(I2C, "platform/soc/fef04500.i2c", "i2c-20", files{"name": "fef04500.i2c\n"})
	return tr
}

const ownBus = "bcm2835 (i2c@7e804000)"

var _ i2c.Bus = (*modelBus)(nil)

// modelPins are the GPIO lines of one chip.
type modelPins struct {
	mu    sync.Mutex
	names []string
	at    []*modelPin
	gone  bool // the chip was taken away
}

// modelPin is one line: what drives it from outside, and who has it.
type modelPin struct {
	of     *modelPins
	taken  bool
	wasLow bool // since it was taken
	high   bool
	drive  func(pulled bool) bool // the level from outside; nil: that of the pull
	out    func(high bool)        // what an output moves
	delay  time.Duration          // of every edge of an output
	once   time.Duration          // the same, of the next one alone
	noPull bool                   // the board cannot hold it
	pulled bool
	err    error // what everything asked of it ends with
	asked  int
}

func newModelPins(names ...string) *modelPins {
	p := &modelPins{names: names}
	for range names {
		p.at = append(p.at, &modelPin{of: p})
	}
	return p
}

func (p *modelPins) line(name string) *modelPin { return p.at[slices.Index(p.names, name)] }

// do changes the lines between two ticks.
func (p *modelPins) do(change func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change()
}

func (p *modelPins) chips() ([]gpioChip, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.gone {
		return nil, nil
	}
	return []gpioChip{{"/dev/gpiochip0", "gpiochip0", "pinctrl-bcm2711", p.names}}, nil
}

func (p *modelPins) take(at pinPlace) (*modelPin, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	m := p.at[at.number]
	if m.err != nil {
		return nil, m.err
	}
	if m.taken {
		return nil, fmt.Errorf("take %s: %w", at.shown, syscall.EBUSY)
	}
	m.taken, m.wasLow = true, false
	return m, nil
}

func (p *modelPins) input(at pinPlace, up bool) (pin, error) {
	m, err := p.take(at)
	if err != nil {
		return nil, err
	}
	return m, m.pull(up)
}

func (p *modelPins) output(at pinPlace, high bool) (pin, error) {
	m, err := p.take(at)
	if err != nil {
		return nil, err
	}
	return m, m.set(high)
}

func (m *modelPin) close() {
	m.of.mu.Lock()
	defer m.of.mu.Unlock()
	m.taken = false
}

func (m *modelPin) pull(up bool) error {
	m.of.mu.Lock()
	defer m.of.mu.Unlock()
	if m.noPull {
		return syscall.EOPNOTSUPP
	}
	m.pulled = up
	return m.err
}

func (m *modelPin) set(high bool) error {
	m.of.mu.Lock()
	delay := m.delay + m.once
	m.once = 0
	m.of.mu.Unlock()
	time.Sleep(delay)
	m.of.mu.Lock()
	defer m.of.mu.Unlock()
	if m.err != nil {
		return m.err
	}
	m.high, m.wasLow = high, m.wasLow || !high
	if m.out != nil {
		m.out(high)
	}
	return nil
}

func (m *modelPin) level() (bool, error) {
	m.of.mu.Lock()
	defer m.of.mu.Unlock()
	m.asked++
	switch {
	case m.of.gone:
		return false, syscall.ENODEV
	case m.err != nil:
		return false, m.err
	case m.drive != nil:
		return m.drive(m.pulled), nil
	}
	return m.pulled, nil
}

// modelHX711 is the bit-banged bridge ADC: it sees the edges of its clock line as they come and
// moves its data line. It converts by its own clock, whether it is read or not; a conversion
// that ends while the one before is shifted out spoils it.
type modelHX711 struct {
	counts  int32
	period  time.Duration
	due     time.Time // of the next conversion
	up      time.Time // since when the clock is high; zero if it is low
	off     bool
	unread  bool
	n       int // pulses since the value was put there
	value   uint32
	extra   int  // pulses that the wire catches from outside, in each read; negative: loses
	extraIn int  // one pulse is caught in the read that this counts down to
	begun   bool // the first pulse of this read has come
	other   bool // the next conversion is of the other channel
	missing bool
	short   bool // data shorted to ground
	noise   int32
	still   bool // the code does not move
}

func (h *modelHX711) wire(p *modelPins, data, clock string) {
	h.due = time.Now().Add(h.period)
	p.line(data).drive = func(pulled bool) bool {
		switch {
		case h.missing:
			return pulled
		case h.short:
			return false
		}
		return h.data()
	}
	p.line(clock).out = h.clock
}

// data is the level of the data line now.
func (h *modelHX711) data() bool {
	if h.off {
		return true
	}
	now := time.Now()
	for !now.Before(h.due) {
		h.due = h.due.Add(h.period)
		if !h.still {
			h.noise = (h.noise*5 + 3) % 16
		}
		h.value, h.unread, h.n = uint32(h.counts+h.noise)&0xFFFFFF, true, 0
		h.begun = false
		if h.other {
			h.value = 3000
		}
	}
	switch {
	case !h.unread:
		return true
	case h.n <= 0:
		return false
	case h.n <= 24:
		return h.value>>(24-h.n)&1 != 0
	}
	return true
}

func (h *modelHX711) clock(high bool) {
	now := time.Now()
	switch {
	case high && h.up.IsZero():
		h.up = now
		if h.data(); !h.begun {
			h.begun = true
			h.n += h.extra
			if h.extraIn > 0 {
				if h.extraIn--; h.extraIn == 0 {
					h.n++
				}
			}
		}
		if h.n++; h.n >= 25 {
			h.unread, h.other = false, h.n == 26
		}
	case !high && !h.up.IsZero():
		if now.Sub(h.up) > 60*time.Microsecond {
			// It had switched itself off and begins anew: 400 ms of settling.
			h.unread, h.other, h.n, h.due = false, false, 0, now.Add(4*h.period)
		}
		h.up = time.Time{}
	}
}
