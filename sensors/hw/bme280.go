package hw

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// Registers and bits of the barometer family, from memory of its data sheets.
const (
	bmeCalibration = 0x88 // 24 bytes
	bmeHumidityH1  = 0xA1
	bmeHumidityH2  = 0xE1 // 7 bytes
	bmeID          = 0xD0
	bmeHumidity    = 0xF2 // then status, measure, filter
	bmeStatus      = 0xF3
	bmeMeasure     = 0xF4
	bmeFilter      = 0xF5
	bmeValue       = 0xF7 // pressure and temperature of three bytes each, humidity of two

	bmeBusy    = 1<<3 | 1<<0 // measuring, or copying its calibration
	bmeOnce    = 0b01        // measure once and rest
	bmeMode    = 0b11
	bmeSampleH = 0b001               // humidity once
	bmeSampleT = 0b001<<5 | 0b011<<2 // temperature once, pressure four times
	bmeMark    = 0b101 << 5          // a pause that single measurements do not have: not the power-on value

	bmeSkipped  = 0x80000 // what a value reads that was not measured; half a byte less for humidity
	bmeSkippedH = 0x8000
	bmeLooks    = 4 // a value may have that code too, 26.46 °C with one calibration, and then leaves it

	bmeMeasures = 17 * time.Millisecond // at most, with these samples
	bmeGiveUp   = 100 * time.Millisecond
)

// bme280 is a barometer and thermometer, and as a bme280 a hygrometer. It measures once for
// each read. Left running, as other drivers have it, a chip that lost its supply goes on
// giving one number (sensing.md 4.1, 5.1).
type bme280 struct {
	registers
	id    byte
	humid bool
	begun bool // it has been set once since the start of the program
	cal   bmeTrim
}

func newBME280(bus i2c.Bus, addr uint16) chip {
	return &bme280{registers: registers{chipBME280, i2c.Dev{Bus: bus, Addr: addr}}, id: 0x60, humid: true}
}

func newBMP280(bus i2c.Bus, addr uint16) chip {
	return &bme280{registers: registers{chipBMP280, i2c.Dev{Bus: bus, Addr: addr}}, id: 0x58}
}

// read is the temperature in °C, the pressure in kPa or the relative humidity in percent.
func (m *bme280) read(input string) (float64, string, error) {
	off, err := m.off()
	if err != nil {
		return 0, "", err
	}
	if off != nil || !m.begun { // its trim is not known before, even of a chip that is set as we want it
		if err := m.set(); err != nil {
			return 0, "", err
		}
		if m.begun {
			return 0, "", off
		}
	}
	m.begun = true
	var p, t, h int32
	var what string
	for range bmeLooks {
		if p, t, h, err = m.measure(); err != nil {
			return 0, "", err
		}
		what = ""
		switch {
		case t == bmeSkipped: // the other two are worked out with it
			what = "temperature"
		case input == "in_pressure" && p == bmeSkipped:
			what = "pressure"
		case input == "in_humidityrelative" && h == bmeSkippedH:
			what = "humidity"
		}
		if what == "" {
			break
		}
	}
	raw := fmt.Sprintf("pressure %d, temperature %d", p, t)
	if m.humid {
		raw += fmt.Sprintf(", humidity %d", h)
	}
	if what != "" {
		return 0, raw, &fault{notMeasured, fmt.Errorf("%s: %d times the code of a value that was not measured", what, bmeLooks)}
	}
	switch fine := m.cal.fine(t); input {
	case "in_pressure":
		return m.cal.pa(p, fine) / 1000, raw, nil
	case "in_humidityrelative":
		return m.cal.pct(h, fine), raw, nil
	default:
		return fine / 5120, raw, nil
	}
}

// off says how the settings differ from ours; err is that they could not be read.
func (m *bme280) off() (off, err error) {
	var b [4]byte
	if err := m.registers.read(bmeHumidity, b[:]); err != nil {
		return nil, err
	}
	got := []byte{b[0], b[2], b[3]}
	if !same(b[:], 0xFF) {
		got[0] &= 0b111
	}
	want := []byte{bmeSampleH, bmeSampleT, bmeMark}
	if !m.humid {
		want, got = want[1:], got[1:]
	}
	return differs(want, got, make([]byte, len(want))), nil
}

// set prepares the chip and throws its first two values away: they are known to be wrong
// (sensing.md 4.1).
func (m *bme280) set() error {
	var id [1]byte
	if err := m.registers.read(bmeID, id[:]); err != nil {
		return err
	}
	if id[0] != m.id {
		if err := differs([]byte{m.id}, id[:], nil); id[0] == 0 || id[0] == 0xFF {
			return err
		}
		return &fault{wrongChip, fmt.Errorf("id register 0x%02x: 0x%02x was expected, 0x%02x answered", bmeID, m.id, id[0])}
	}
	err := waitFor("the chip's power-up", 10*time.Millisecond, time.Millisecond, func() (bool, error) {
		var b [1]byte
		err := m.registers.read(bmeStatus, b[:])
		return b[0]&bmeBusy == 0, err
	})
	if err != nil {
		return err
	}
	if err := m.calibrate(); err != nil {
		return err
	}
	if m.humid { // taken over by the chip with the next setting
		if err := m.write(bmeHumidity, bmeSampleH); err != nil {
			return err
		}
	}
	for _, s := range [][2]byte{{bmeMeasure, bmeSampleT}, {bmeFilter, bmeMark}} {
		if err := m.write(s[0], s[1]); err != nil {
			return err
		}
	}
	for range 2 {
		if _, _, _, err := m.measure(); err != nil {
			return err
		}
	}
	return nil
}

// measure is one measurement, in the chip's codes.
func (m *bme280) measure() (p, t, h int32, err error) {
	if err := m.write(bmeMeasure, bmeSampleT|bmeOnce); err != nil {
		return 0, 0, 0, err
	}
	time.Sleep(bmeMeasures)
	err = waitFor("the end of a measurement", bmeGiveUp, 2*time.Millisecond, func() (bool, error) {
		var b [2]byte // status, measure
		err := m.registers.read(bmeStatus, b[:])
		return b[0]&bmeBusy == 0 && b[1]&bmeMode == 0, err
	})
	if err != nil {
		return 0, 0, 0, err
	}
	b := make([]byte, 6, 8)
	if m.humid {
		b = b[:8]
	}
	if err := m.registers.read(bmeValue, b); err != nil {
		return 0, 0, 0, err
	}
	// The settings after the value: a chip that lost its supply in between shows it here.
	off, err := m.off()
	switch {
	case err != nil:
		return 0, 0, 0, err
	case off != nil:
		return 0, 0, 0, off
	case same(b, 0) || same(b, 0xFF):
		return 0, 0, 0, differs([]byte{1}, b[:1], nil)
	}
	p = int32(b[0])<<12 | int32(b[1])<<4 | int32(b[2])>>4
	t = int32(b[3])<<12 | int32(b[4])<<4 | int32(b[5])>>4
	if m.humid {
		h = int32(binary.BigEndian.Uint16(b[6:]))
	}
	return p, t, h, nil
}

// bmeTrim is what the maker measured of this one chip.
type bmeTrim struct {
	t1             float64
	t2, t3         float64
	p              [9]float64
	h1, h2, h3, h6 float64
	h4, h5         float64
}

// calibrate reads the trim twice: nothing guards it on its way, and it is used until the
// chip loses its supply.
func (m *bme280) calibrate() error {
	var seen [2][32]byte
	for i := range seen {
		if err := m.registers.read(bmeCalibration, seen[i][:24]); err != nil {
			return err
		}
		if !m.humid {
			continue
		}
		if err := m.registers.read(bmeHumidityH1, seen[i][24:25]); err != nil {
			return err
		}
		if err := m.registers.read(bmeHumidityH2, seen[i][25:]); err != nil {
			return err
		}
	}
	b := seen[0][:]
	switch {
	case !bytes.Equal(b, seen[1][:]):
		return &fault{crc, fmt.Errorf("the chip's calibration was read as % x and then as % x", b, seen[1])}
	case same(b[:24], 0) || same(b[:24], 0xFF):
		return differs([]byte{1}, b[:1], nil)
	}
	u := func(i int) float64 { return float64(binary.LittleEndian.Uint16(b[i:])) }
	s := func(i int) float64 { return float64(int16(binary.LittleEndian.Uint16(b[i:]))) }
	c := bmeTrim{t1: u(0), t2: s(2), t3: s(4)}
	c.p[0] = u(6)
	for i := 1; i < len(c.p); i++ {
		c.p[i] = s(6 + 2*i)
	}
	h := b[25:] // of 0xE1 and on
	c.h1, c.h2, c.h3 = float64(b[24]), s(25), float64(h[2])
	c.h4 = float64(int16(int8(h[3]))<<4 | int16(h[4]&0x0F))
	c.h5 = float64(int16(int8(h[5]))<<4 | int16(h[4]>>4))
	c.h6 = float64(int8(h[6]))
	m.cal = c
	return nil
}

// The formulas are those of the maker's data sheet in floating point, from memory; a test
// holds them against the sheet's own example.

// fine is the temperature that the other formulas take, 5120 per °C.
func (c *bmeTrim) fine(t int32) float64 {
	x := float64(t)
	d := x/131072 - c.t1/8192
	return (x/16384-c.t1/1024)*c.t2 + d*d*c.t3
}

// pa is the pressure in pascals; 0 with a trim that cannot be.
func (c *bmeTrim) pa(p int32, fine float64) float64 {
	a := fine/2 - 64000
	b := a*a*c.p[5]/32768 + a*c.p[4]*2
	b = b/4 + c.p[3]*65536
	a = (c.p[2]*a*a/524288 + c.p[1]*a) / 524288
	a = (1 + a/32768) * c.p[0]
	if a == 0 {
		return 0
	}
	x := (1048576 - float64(p) - b/4096) * 6250 / a
	return x + (c.p[8]*x*x/2147483648+x*c.p[7]/32768+c.p[6])/16
}

// pct is the relative humidity in percent, within 0 to 100 as the sheet has it.
func (c *bmeTrim) pct(h int32, fine float64) float64 {
	x := fine - 76800
	x = (float64(h) - (c.h4*64 + c.h5/16384*x)) *
		(c.h2 / 65536 * (1 + c.h6/67108864*x*(1+c.h3/67108864*x)))
	return min(max(x*(1-c.h1*x/524288), 0), 100)
}
