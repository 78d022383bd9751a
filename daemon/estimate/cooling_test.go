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
	if f.cooling() != No {
		t.Error("nobody calls for heat, so nothing is starved")
	}
	live(3600, 7200, 14, 18, Yes)
	if f.cooling() != No {
		t.Error("the cabin warms while heat is called for: something burns")
	}
	live(7200, 7200+5400, 18, 12, Yes)
	if f.cooling() != Yes {
		t.Error("6 K lost in an hour and a half of calling for heat is a failing heater")
	}
	live(12600, 13600, 12, 13, Yes)
	if f.cooling() != No {
		t.Error("it warms again, and what the cabin raised must clear")
	}
	live(13600, 13600+3600, 13, 13, Yes)
	if f.cooling() != No {
		t.Error("it rose under this call and has not cooled since")
	}
	live(17200, 17200+3600, 13, 11.5, Yes)
	if f.cooling() != Unsure {
		t.Error("0.5 K lost in each window: too little to raise it, too much to call it burning")
	}
	live(20800, 20800+3600, 11.5, 8, Yes)
	if f.cooling() != Yes {
		t.Error("3.5 K lost in an hour is a failing heater again")
	}
	live(24400, 24400+60, 8, 8, No)
	if f.cooling() != No {
		t.Error("nobody calls for heat any more")
	}
	live(24460, 24460+60, 8, 8, Yes)
	if f.cooling() != Unsure {
		t.Error("a new call, of which the cabin has told nothing yet")
	}
	f.called(24521, Yes, Unknown("thermometer dead"))
	if f.cooling() != Unsure {
		t.Error("without a thermometer nobody can say")
	}
}
