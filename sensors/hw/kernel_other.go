//go:build !linux

package hw

import (
	"errors"
	"os"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Without Linux there are no sensors; the demo and replay need none.

func readAttribute(path string) ([]byte, error) { return os.ReadFile(path) }

// noBus is an I2C adapter where there is none.
type noBus struct{ name string }

func dialKernel(_, name string) i2c.Bus       { return noBus{name} }
func (b noBus) String() string                { return b.name }
func (noBus) SetSpeed(physic.Frequency) error { return errors.ErrUnsupported }
func (noBus) Tx(_ uint16, _, _ []byte) error  { return errors.ErrUnsupported }

// kernelPins are no lines at all.
type kernelPins struct{}

func (kernelPins) chips() ([]gpioChip, error)         { return nil, errors.ErrUnsupported }
func (kernelPins) input(pinPlace, bool) (pin, error)  { return nil, errors.ErrUnsupported }
func (kernelPins) output(pinPlace, bool) (pin, error) { return nil, errors.ErrUnsupported }

func adjtimex() (bool, error) { return false, errors.ErrUnsupported }
