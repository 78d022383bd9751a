package hw

import (
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// The 16-bit ADC of sensing.md 2.7. Registers and bits are from memory of its data sheet; the
// power-on settings are also those another project met (sensing.md 2.7).
const (
	adsConversion = 0
	adsConfig     = 1

	adsBegin = 1 << 15 // written: convert once; read: done
	// ±6.144 V, so that no voltage an input may have clips; convert once and rest; 128
	// conversions a second; no comparator.
	adsSettings = 0b000<<9 | 1<<8 | 0b100<<5 | 0b11
	adsPowerOn  = 0x8583

	adsVoltsPerCode = 187.5e-6
	adsTop          = 0x7FFF

	// One conversion at 128 a second, whose clock may be a tenth slow (sensing.md 2.7), and a
	// long wait beyond it before the chip is given up.
	adsConverts = 8600 * time.Microsecond
	adsGiveUp   = 50 * time.Millisecond
)

// adsInputs are called as the kernel's driver calls them. The place is the code of the
// multiplexer.
func adsInputs() []string {
	return []string{"in_voltage0-voltage1", "in_voltage0-voltage3", "in_voltage1-voltage3", "in_voltage2-voltage3",
		"in_voltage0", "in_voltage1", "in_voltage2", "in_voltage3"}
}

// ads1115 converts once for each read, and believes the result only while the chip says that
// it was converted with the settings that were asked for: a wait without that look may bring
// the value of the input before (sensing.md 5.1).
type ads1115 struct {
	registers
	last uint16 // settings of the conversion before; 0 if there was none
}

func newADS1115(bus i2c.Bus, addr uint16) chip {
	return &ads1115{registers: registers{chipADS1115, i2c.Dev{Bus: bus, Addr: addr}}}
}

// read is the volts at one input or between two.
func (a *ads1115) read(input string) (float64, string, error) {
	want := uint16(slices.Index(adsInputs(), input)<<12 | adsSettings)
	var lost error
	if a.last != 0 {
		got, err := a.word(adsConfig)
		if err != nil {
			return 0, "", err
		}
		lost = adsDiffers(a.last, got)
	}
	if err := a.write(adsConfig, byte((want|adsBegin)>>8), byte(want)); err != nil {
		return 0, "", err
	}
	a.last = want
	if lost != nil {
		return 0, "", lost
	}
	time.Sleep(adsConverts)
	err := waitFor("the end of a conversion", adsGiveUp, time.Millisecond, func() (bool, error) {
		got, err := a.word(adsConfig)
		if err == nil && (got == 0 || got == 0xFFFF) {
			err = adsDiffers(want, got)
		}
		return got&adsBegin != 0, err
	})
	if err != nil {
		return 0, "", err
	}
	code, err := a.word(adsConversion)
	if err != nil {
		return 0, "", err
	}
	// The settings after the value: a chip that lost its supply in between shows it here.
	got, err := a.word(adsConfig)
	if err == nil {
		err = adsDiffers(want, got)
	}
	raw := fmt.Sprint(int16(code))
	switch {
	case err != nil:
		return 0, raw, err
	case int16(code) == adsTop || int16(code) == -adsTop-1:
		return 0, raw, &fault{clipped, fmt.Errorf("code %d: more than the ±6.144 V the chip can tell", int16(code))}
	}
	return float64(int16(code)) * adsVoltsPerCode, raw, nil
}

func (a *ads1115) word(reg byte) (uint16, error) {
	var b [2]byte
	err := a.registers.read(reg, b[:])
	return binary.BigEndian.Uint16(b[:]), err
}

// adsDiffers compares settings without the bit that says whether a conversion runs; zeros and
// ones are told with it.
func adsDiffers(want, got uint16) error {
	bytes := func(v uint16) []byte { return binary.BigEndian.AppendUint16(nil, v) }
	if got != 0xFFFF {
		got &^= adsBegin
	}
	return differs(bytes(want), bytes(got), bytes(adsPowerOn&^uint16(adsBegin)))
}
