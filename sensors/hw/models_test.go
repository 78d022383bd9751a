package hw

import (
	"encoding/binary"
	"math"
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
	err   error           // what every transaction ends with
	low   bool            // SDA shorted to ground: everything is acknowledged, all is zero
	high  bool            // everything read is ones
	hang  <-chan struct{} // a transaction comes back when it is closed
	txs   int
	after func() // runs once, behind the next transaction that reads a value
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
	b.txs++
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
	if b.after != nil && c.isValue(w) {
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
		if m.reg[nauGain] != nauGain128 {
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
