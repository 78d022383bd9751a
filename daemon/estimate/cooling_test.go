package estimate

import "testing"

func TestAHeaterThatFailsUnseenByTheScaleIsToldByTheCabin(t *testing.T) {
	at := func(c float64) Quantity { return Quantity{Value: c, Low: c, High: c, Quality: 3} }
	var f burning
	live := func(fromS, toS, fromC, toC float64, call Tristate) {
		for s := fromS; s < toS; s++ {
			f.called(s, call, at(fromC+(toC-fromC)*(s-fromS)/(toS-fromS)))
		}
	}
	live(0, 3600, 18, 14, No)
	if f.cooling() != Unsure {
		t.Error("nobody calls for heat, so nothing is starved")
	}
	live(3600, 7200, 14, 18, Yes)
	if f.cooling() != Unsure {
		t.Error("the cabin warms while heat is called for: something burns")
	}
	live(7200, 7200+5400, 18, 12, Yes)
	if f.cooling() != Yes {
		t.Error("6 K lost in an hour and a half of calling for heat is a failing heater")
	}
	live(12600, 13600, 12, 13, Yes)
	if f.cooling() != Unsure {
		t.Error("it warms again")
	}
	f.called(13601, Yes, Unknown("thermometer dead"))
	if f.cooling() != Unsure {
		t.Error("without a thermometer nobody can say")
	}
}
