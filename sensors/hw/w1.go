package hw

import (
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// The two files a 1-wire thermometer can be read by. w1_slave shows the scratchpad, so the
// bytes can be checked; temperature has passed the kernel's checksum and nothing else.
const (
	w1Slave       = "w1_slave"
	w1Temperature = "temperature"
)

// Places in the scratchpad of the 12-bit family (sensing.md 4.2) and what must stand there.
const (
	configByte   = 4 // resolution; one of 1F, 3F, 5F, 7F
	reserved5    = 5 // always FF
	reserved6    = 6 // 0C until the first conversion
	reserved7    = 7 // always 10
	scratchBytes = 9

	neverConverted = 0x0C
)

// readW1 is one temperature in °C and the text it came from.
func readW1(s sysfs, w Wire, d device) (float64, string, error) {
	if w.Attribute == w1Temperature {
		v, raw, err := s.number(d.dir, w1Temperature)
		return sixteenth(v / 1000), raw, err
	}
	text, err := s.text(d.dir, w1Slave)
	if err != nil {
		return 0, "", err
	}
	v, err := scratchpadC(w.Address[:2], text)
	first, _, _ := strings.Cut(text, "\n")
	return v, first, err
}

// scratchpadC reads the text of w1_slave: nine bytes with the kernel's verdict on their
// checksum, then the nine bytes again with the temperature. The second line may be that of
// the last good read, so nothing in it counts unless the first says YES; and YES says
// little, because the checksum of zeros is zero.
func scratchpadC(family, text string) (float64, error) {
	first, second, _ := strings.Cut(text, "\n")
	bytesText, verdict, _ := strings.Cut(first, ":")
	b, err := hex.DecodeString(strings.ReplaceAll(strings.TrimSpace(bytesText), " ", ""))
	if err != nil || len(b) != scratchBytes {
		return 0, &fault{garbled, fmt.Errorf("%s: %q is not a scratchpad", w1Slave, clip(first))}
	}
	bad := func(word, why string) (float64, error) {
		return 0, &fault{word, fmt.Errorf("%s: % x: %s", w1Slave, b, why)}
	}
	switch {
	case same(b, 0xFF):
		return bad(ones, "nobody pulls the data line down")
	case !strings.HasSuffix(strings.TrimSpace(verdict), "YES"):
		return bad(crc, "the checksum does not fit")
	case same(b, 0):
		return bad(zeros, "the data line is shorted to ground")
	}
	if family != "28" && family != "22" {
		// Another layout: the kernel knows how to convert it, and only zeros could be told.
		_, t, ok := strings.Cut(second, "t=")
		mC, err := strconv.ParseFloat(strings.TrimSpace(t), 64)
		if !ok || err != nil {
			return bad(garbled, "no temperature behind t=")
		}
		return sixteenth(mC / 1000), nil
	}
	if c := b[configByte]; c&0x9F != 0x1F || b[reserved5] != 0xFF || b[reserved7] != 0x10 {
		return bad(scratchpad, "bytes that this thermometer cannot hold")
	}
	// The bytes are finer than t=, which is cut to thousandths: a code like 127.9375 could
	// not be known again.
	c := float64(int16(uint16(b[1])<<8|uint16(b[0]))) / 16
	switch {
	case c == 85 && b[reserved6] == neverConverted:
		return bad(powerOn, "85.000 without a conversion")
	case c == 127.9375 && b[reserved6] == neverConverted:
		return bad(weakSupply, "127.9375 without a conversion")
	}
	return c, nil
}

func same(b []byte, v byte) bool {
	for _, x := range b {
		if x != v {
			return false
		}
	}
	return true
}

// sixteenth gives back what the kernel cut off: a 12-bit thermometer counts in 1/16 °C and
// its driver writes whole m°C, so -0.0625 arrives as -0.062.
func sixteenth(c float64) float64 {
	fine := math.Round(c*16) / 16
	if math.Abs(fine-c) < 0.001 {
		return fine
	}
	return c
}
