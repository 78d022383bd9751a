package hw

import (
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// The 24-bit bridge ADC on I2C. Registers, bits and power-on values (all zero) are from memory
// of its data sheet.
const (
	nauAddress = 0x2a

	nauPower    = 0x00 // then gain, rate in the next two
	nauGain     = 0x01
	nauValue    = 0x12 // three bytes, the highest first
	nauADC      = 0x15
	nauRevision = 0x1f

	nauReset      = 1 << 0
	nauDigital    = 1 << 1 // power of the digital part
	nauAnalogue   = 1 << 2
	nauPowerReady = 1 << 3 // read only
	nauConvert    = 1 << 4
	nauReady      = 1 << 5 // read only: a value that was not read yet
	nauOwnSupply  = 1 << 7 // the bridge is fed by the chip's own regulator

	nauRuns   = nauDigital | nauAnalogue | nauConvert | nauOwnSupply
	nauFront  = 0b101<<3 | 0b111 // regulator at 3.0 V, which a 3.3 V supply can hold; gain 128
	nauRate   = 0                // channel 1, 10 conversions a second
	nauNoChop = 0x30             // as the kernel's driver sets it, so that both give the same counts
	nauID     = 0xf              // low half of the revision register

	nauPeriod = 100 * time.Millisecond
	nauSettle = 6 * nauPeriod // sensing.md 3.1 gives 400 ms for its bit-banged sister
	nauMax    = 1<<23 - 1
)

// nau7802 converts all the time. The chip's own calibration of its zero is left alone: each
// run of it ends a little elsewhere, and the zero of the scale is weighed with the cradle.
type nau7802 struct {
	registers
	begun   bool      // it has been set once since the start of the program
	settled time.Time // when the first conversions after that are over
}

func newNAU7802(bus i2c.Bus, addr uint16) chip {
	return &nau7802{registers: registers{name: chipNAU7802, Dev: i2c.Dev{Bus: bus, Addr: addr}}}
}

// read is the newest conversion in signed counts.
func (n *nau7802) read(string) (float64, string, error) {
	off, err := n.off()
	if err != nil {
		return 0, "", err
	}
	if off != nil {
		if err := n.set(); err != nil {
			return 0, "", err
		}
		if n.begun {
			return 0, "", off
		}
	}
	n.begun = true
	time.Sleep(time.Until(n.settled))
	err = waitFor("a conversion", 2*nauPeriod, nauPeriod/10, func() (bool, error) {
		var b [1]byte
		err := n.registers.read(nauPower, b[:])
		return b[0]&nauReady != 0, err
	})
	if err != nil {
		return 0, "", err
	}
	var b [3]byte
	if err := n.registers.read(nauValue, b[:]); err != nil {
		return 0, "", err
	}
	code := int32(uint32(b[0])<<24|uint32(b[1])<<16|uint32(b[2])<<8) >> 8
	raw := fmt.Sprint(code)
	// The settings after the value: a chip that lost its supply in between shows it here.
	if off, err = n.off(); err == nil {
		err = off
	}
	switch {
	case err != nil:
		return 0, raw, err
	case code == nauMax || code == -nauMax-1:
		return 0, raw, &fault{clipped, fmt.Errorf("code %d: the bridge gives more than the chip can tell", code)}
	}
	return float64(code), raw, nil
}

// off says how the settings differ from ours; err is that they could not be read.
func (n *nau7802) off() (off, err error) {
	var b [3]byte
	if err := n.registers.read(nauPower, b[:]); err != nil {
		return nil, err
	}
	var adc [1]byte
	if err := n.registers.read(nauADC, adc[:]); err != nil {
		return nil, err
	}
	if !same(b[:], 0xFF) {
		b[0] &^= nauPowerReady | nauReady
		b[2] &= 0xF0 // the rest is about its own calibration
		adc[0] &= nauNoChop
	}
	got := append(b[:], adc[0])
	return differs([]byte{nauRuns, nauFront, nauRate, nauNoChop}, got, []byte{0, 0, 0, 0}), nil
}

// set starts the chip from its reset on.
func (n *nau7802) set() error {
	var id [1]byte
	if err := n.registers.read(nauRevision, id[:]); err != nil {
		return err
	}
	if err := differs([]byte{nauID}, id[:], nil); id[0] == 0 || id[0] == 0xFF {
		return err
	}
	if id[0]&0xf != nauID {
		return &fault{wrongChip, fmt.Errorf("revision register 0x%02x: 0x?f was expected, 0x%02x answered", nauRevision, id[0])}
	}
	if err := n.write(nauPower, nauReset); err != nil {
		return err
	}
	if err := n.write(nauPower, nauDigital); err != nil {
		return err
	}
	err := waitFor("the chip's power-up", 10*time.Millisecond, time.Millisecond, func() (bool, error) {
		var b [1]byte
		err := n.registers.read(nauPower, b[:])
		return b[0]&nauPowerReady != 0, err
	})
	if err != nil {
		return err
	}
	for _, s := range [][2]byte{{nauGain, nauFront}, {nauGain + 1, nauRate}, {nauADC, nauNoChop}, {nauPower, nauRuns}} {
		if err := n.write(s[0], s[1]); err != nil {
			return err
		}
	}
	n.settled = time.Now().Add(nauSettle)
	return nil
}
