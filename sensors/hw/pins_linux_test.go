package hw

import (
	"testing"
	"unsafe"
)

// The kernel's own numbers hold the size of what is handed over, in bits 16 to 29.
func TestTheKernelIsHandedStructuresOfItsOwnSize(t *testing.T) {
	for _, k := range []struct {
		name    string
		request uintptr
		size    uintptr
	}{
		{"chip", gpioChipInfo, unsafe.Sizeof(gpioChipInfoT{})},
		{"line", gpioLineInfo, unsafe.Sizeof(gpioLineInfoT{})},
		{"request", gpioGetLine, unsafe.Sizeof(gpioRequestT{})},
		{"configuration", gpioSetConfig, unsafe.Sizeof(gpioConfigT{})},
		{"values", gpioGetValues, unsafe.Sizeof(gpioValuesT{})},
		{"values", gpioSetValues, unsafe.Sizeof(gpioValuesT{})},
	} {
		if want := k.request >> 16 & 0x3FFF; k.size != want {
			t.Errorf("%s: %d bytes, the kernel expects %d", k.name, k.size, want)
		}
	}
}
