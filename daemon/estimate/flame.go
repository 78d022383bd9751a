package estimate

import (
	"math"

	"frostline/sensors"
)

// When a flame is called lit, and for how long what came before is kept.
const (
	litBelief    = 0.9
	outBelief    = 0.1
	sureBlocks   = 2    // in a row, believed
	plainBelief  = 0.95 // one block is enough: what two at litBelief come to, were they independent, and less
	likelyBlocks = 6    // in a row, likelier than not
	handBelief   = 0.65 // a hand-set burner can be at any rate the heater passes through
	steadyAfterS = 60   // from when on a flame's rate is known well enough to learn from
	learnAfterS  = 20   // after it was told lit, when the level follows its rate
	learnTailS   = 90   // before it was told out: by then it may have been out already
	learnLeastS  = 120
	learnMostSD  = 0.1 // of a rate that teaches: more would let nearly any burn pass for the heater's
	lateBlocks   = 12  // blocks around a burn in which the level still follows it
	quietBelief  = 0.5 // that nothing burns: then nothing is added to the total
)

// burning follows what leaves the cylinder: rate, appliances and the total.
type burning struct {
	p     Params
	bank  *bank
	split *splitter
	pace  pace // of the heater
	therm thermostat
	cabin Quantity // now
	coldC Quantity // the coldest it was since nothing burned
	dueS  float64  // for how long the thermostat has been about to switch, and has not

	totalKg float64 // since the first start
	lostKg  float64 // weight lost but for jumps, since the bank was seated
	noiseKg float64 // of a block, one standard deviation
	oweKg   float64 // loss of weight not yet in the total
	late    [lateBlocks]float64
	lateSum float64
	lateN   int // blocks since something burned
	lateAt  int

	rate   Quantity // kg/h
	mean   float64
	flames [splitMostN]flame // heaters and boilers one by one, then all burners as one
	names  []string          // of the flames
	member [][]int           // appliances behind each flame
	shares []Share

	callS            float64 // since when heat is called for and the scale watches
	askedS           float64 // start of the window in which the cabin is watched
	fromC            float64 // the cabin then
	fromKnown, cools bool
	warmed           bool    // and it rose under this call, and has not cooled since
	fromS, fromKg    float64 // when heat was called for, or the heater last seen to burn, and the level then
	poorS            float64 // since when less burns than the heater needs
	poor             bool    // starved
	call             Tristate
	calledFrac       float64 // of the last hour
	calledS          float64 // when the input was last read
}

// flame is one appliance, or the hand-set burners together.
type flame struct {
	on      bool
	sure    int // blocks in a row that say it is the other way
	likely  int
	onS     float64
	steady  float64 // sum of its rates once the start is past
	steadyN int
	alone   bool
	coldC   Quantity         // the cabin when it was lit
	warmC   Quantity         // and the warmest under it
	from    lost             // when its middle began
	tail    [tailBlocks]lost // the newest blocks, a ring
	tailN   int
}

// lost is the weight lost to burning until a moment.
type lost struct{ upS, kg float64 }

const tailBlocks = learnTailS / blockS

// middle takes a block of a flame that is alight.
func (fl *flame) middle(l lost) {
	if fl.tailN == 0 {
		fl.from = l
	}
	fl.tail[fl.tailN%tailBlocks] = l
	fl.tailN++
}

// rate is the weight lost over the middle of a flame by time, and its standard deviation as a
// fraction where a level is off by levelKg; ok is false for a short one, and for one that the scale
// tells too badly.
func (fl *flame) rate(levelKg float64) (kgPerH, sdFrac float64, ok bool) {
	if fl.tailN < tailBlocks {
		return 0, 0, false
	}
	end := fl.tail[fl.tailN%tailBlocks]
	kg, s := end.kg-fl.from.kg, end.upS-fl.from.upS
	sdFrac = math.Hypot(learnSDFrac, math.Sqrt2*levelKg/kg)
	return kg / s * 3600, sdFrac, s >= learnLeastS && kg > 0 && sdFrac <= learnMostSD
}

func newBurning(p Params) *burning {
	f := &burning{p: p, bank: newBank(mostKgPerH(p.Appliances), max(1<<min(len(p.Appliances), splitMostN), 2)), lateN: lateBlocks, calledS: math.Inf(-1)}
	f.split = newSplitter(p.Appliances, f.bank.rate)
	f.tabulate()
	f.bank.seat(0, 1)
	var burners []int
	for i, a := range f.split.apps {
		if a.Kind == Burner {
			burners = append(burners, i)
			continue
		}
		f.names, f.member = append(f.names, a.Name), append(f.member, []int{i})
	}
	if len(burners) > 0 {
		name := "burner"
		if len(burners) == 1 {
			name = f.split.apps[burners[0]].Name
		}
		f.names, f.member = append(f.names, name), append(f.member, burners)
	}
	f.shares = make([]Share, 0, splitMostN)
	f.forget()
	return f
}

// mostKgPerH is the highest burn thought possible.
func mostKgPerH(apps []Appliance) float64 {
	sum := 0.0
	for _, a := range apps {
		sum += kgPerHFromKW(a.RatedKW)
	}
	if sum <= 0 {
		return unratedKgPerH
	}
	return rateBeyond * sum
}

func (f *burning) mostKgPerH() float64 { return f.bank.rate[len(f.bank.rate)-1] }

// tabulate works out at which rates a set of appliances may burn, and the belief in each rate
// before anything is known: nothing burns, or what the appliances explain, with a little for
// every other rate. Where no appliance is known every rate is as likely.
func (f *burning) tabulate() {
	n := len(f.bank.rate)
	prior := f.bank.prior
	clear(prior)
	clear(f.bank.at)
	f.bank.at[0] = 1
	for k := 1; k < len(f.bank.come); k++ {
		at, known := f.bank.at[k*n:][:n], k < f.split.sets
		sum := 0.0
		for j := 1; j < n && known; j++ {
			at[j] = f.split.density(k, f.bank.rate[j])
			sum += at[j]
		}
		part, odd := 1.0, 1.0
		if known {
			part, odd = f.split.prior(k), oddFrac
		}
		for j := 1; j < n; j++ {
			at[j] *= (1 - odd) / max(sum, tiny)
			at[j] += odd / float64(n-1)
			prior[j] += part * at[j]
		}
	}
	sum := 0.0
	for _, p := range prior {
		sum += p
	}
	for j := range prior {
		prior[j] *= (1 - quietPrior) / sum
	}
	prior[0] = quietPrior
	f.switches()
}

// switches works out how often a burn at each rate becomes one of each set. One appliance is
// lit or goes out at a time, of those that are believed to burn at the rate. What none
// explains ends, or gains one, as an appliance would.
func (f *burning) switches() {
	n := len(f.bank.rate)
	clear(f.bank.leave)
	for i, a := range f.split.apps {
		lit, out := 1/pauseS(often(a.Kind)), 1/alightS
		if i == f.split.heater {
			lit, out = f.pace.perS()
			lit, out = lit*f.due(f.therm.lit(f.cabin)), out*f.due(f.therm.out(f.cabin))
		}
		for k, likely := range f.split.likely {
			perS := lit
			if k&(1<<i) != 0 {
				perS = out
			}
			leave := f.bank.leave[(k^(1<<i))*n:][:n]
			for j, p := range likely {
				leave[j] += p * perS
			}
		}
	}
	for j := 1; j < n; j++ {
		f.bank.leave[j] += f.split.likely[0][j] / alightS
	}
	if len(f.split.apps) == 0 {
		f.bank.leave[n] = 1 / pauseS(burnerOften)
	}
}

func (f *burning) seat(kg, sdKg float64) {
	f.bank.seat(kg, sdKg)
	f.lateN, f.lateSum, f.lostKg = lateBlocks, 0, 0
	f.coldC = f.cabin // the cold of before a drive lights nothing now
	clear(f.late[:])
}

func (f *burning) shift(kg float64) {
	f.bank.shift(kg)
	f.fromKg += kg
}

// forget makes the burn unknown.
func (f *burning) forget() {
	f.rate = Unknown("the scale has not come to rest")
	f.mean = 0
	f.shares = f.shares[:0]
}

// stop ends what is known of the burn because the scale cannot be used.
func (f *burning) stop(told *[]Happening) {
	for g := range f.flames {
		if f.flames[g].on {
			f.out(g, told)
		}
	}
	f.forget()
}

// step folds in one block.
func (f *burning) step(upS, dtS, kg, noiseKg float64, call Tristate, told *[]Happening) {
	before := f.bank.levelKg
	jumped := f.bank.step(dtS, kg, noiseKg)
	f.chill()
	odds := 1.0
	if call == Unsure { // otherwise the thermostat itself is asked
		odds = f.therm.lit(f.coldC)
	}
	f.split.step(f.bank.weight, call, odds)
	off := f.bank.off()
	mean, lit := f.bank.mean(), 0.0
	if off > quietBelief {
		mean = 0
	} else { // as if it surely burned: where nothing is said of flames that are unlikely, so of pauses
		lit = mean / (1 - off)
	}
	f.noiseKg = noiseKg
	f.lostKg += before - f.bank.levelKg + jumped
	f.count(before-f.bank.levelKg+jumped, mean, dtS, off)
	f.mean = lit
	low, high := f.bank.quantile(0.025), f.bank.quantile(0.975)
	f.rate = Quantity{Value: min(max(lit, low), high), Low: low, High: max(high, low), Quality: sensors.Good, At: seconds(upS)}
	f.shares = f.split.shares(f.rate.Value, f.shares)
	for g := range f.member {
		was := f.flames[g].on
		f.flame(g, upS, told)
		if f.member[g][0] == f.split.heater {
			f.pace.step(dtS, was, f.flames[g].on != was)
			f.overdue(dtS, f.flames[g].on != was, was)
			f.switches()
		}
	}
}

// count adds to the total what burned in a block, and lets it follow the loss of weight:
// around a burn the difference is fed back over a quarter of an hour; in quiet a drift of
// the level is not burn.
func (f *burning) count(lostKg, meanKgPerH, dtS, off float64) {
	burn := meanKgPerH * dtS / 3600
	owe := lostKg - burn
	if off > quietBelief {
		f.lateN = min(f.lateN+1, lateBlocks)
	} else {
		if f.lateN == lateBlocks { // a burn begins: the level had begun to follow it
			f.oweKg += f.lateSum
			f.lateSum = 0
			clear(f.late[:])
		}
		f.lateN = 0
	}
	if f.lateN < lateBlocks {
		f.oweKg += owe
	} else {
		f.lateSum += owe - f.late[f.lateAt]
		f.late[f.lateAt] = owe
		f.lateAt = (f.lateAt + 1) % lateBlocks
	}
	pay := max(f.oweKg*min(1, dtS/lossFeedbackS), -burn)
	f.oweKg -= pay
	f.totalKg += burn + pay
}

// chill follows the coldest that the cabin was since nothing burned: there the thermostat lit
// the heater, if it is the heater.
func (f *burning) chill() {
	if !f.cabin.Known() || !f.coldC.Known() || f.bank.off() > litBelief || f.cabin.Value < f.coldC.Value {
		f.coldC = f.cabin
	}
}

// overdue counts how long the heater has not been switched although the cabin is where its
// thermostat does so.
func (f *burning) overdue(dtS float64, turned, lit bool) {
	odds := f.therm.lit(f.cabin)
	if lit {
		odds = f.therm.out(f.cabin)
	}
	if f.dueS += dtS; turned || odds <= 1 {
		f.dueS = 0
	}
}

// due is odds of a switch that wear off while it does not come: the thermostat was turned, or the
// heater cannot burn.
func (f *burning) due(odds float64) float64 {
	if odds <= 1 {
		return odds
	}
	return 1 + (odds-1)*math.Exp(-f.dueS/switchedSoonS)
}

// flame follows one flame.
func (f *burning) flame(g int, upS float64, told *[]Happening) {
	fl := &f.flames[g]
	p := f.split.anyOf(f.member[g])
	kgPerH := 0.0
	for _, i := range f.member[g] {
		kgPerH += f.shares[i].KgPerH
	}
	if fl.on {
		if !fl.warmC.Known() || f.cabin.Known() && f.cabin.Value > fl.warmC.Value {
			fl.warmC = f.cabin
		}
		fl.alone = fl.alone && f.othersOut(g)
		if upS-fl.onS > steadyAfterS && p > litBelief {
			fl.steady += kgPerH
			fl.steadyN++
		}
		if upS-fl.onS > learnAfterS {
			fl.middle(lost{upS, f.lostKg})
		}
	}
	against := p
	if fl.on {
		against = 1 - p
	}
	// A flame is lit only while something surely burns: as another one dies the rate
	// passes through those of the smaller ones.
	likely := 0.5
	hand := f.split.apps[f.member[g][0]].Kind == Burner
	if hand && !fl.on {
		likely = handBelief
	}
	may := fl.on || f.bank.off() < outBelief
	fl.sure = count(fl.sure, may && against > litBelief)
	fl.likely = count(fl.likely, may && against > likely)
	plain := may && !hand && against > plainBelief
	if !plain && fl.sure < sureBlocks && fl.likely < likelyBlocks {
		return
	}
	if !fl.on {
		*fl = flame{on: true, onS: upS, alone: true, coldC: f.coldC, warmC: f.cabin}
		rate := kgPerH
		if rate <= 0 { // not in the likeliest set, but in many others
			rate = f.rate.Value
		}
		*told = append(*told, Happening{Kind: BurnerOn, Appliance: f.names[g], KgPerH: printed(rate)})
		return
	}
	if rate, sd, ok := fl.rate(f.noiseKg); ok && fl.alone && f.split.like(rate, sd) {
		// Whoever it is named after: the name is a guess that the thermostat has a part in.
		f.therm.Lit.learn(fl.coldC)
		f.therm.Out.learn(fl.warmC)
		if f.member[g][0] == f.split.heater {
			f.split.teach(rate, sd)
			f.tabulate()
		}
	}
	f.out(g, told)
}

// count is how often in a row something held.
func count(n int, held bool) int {
	if held {
		return n + 1
	}
	return 0
}

// othersOut reports whether no other flame is likely.
func (f *burning) othersOut(g int) bool {
	for k := range f.member {
		if k != g && f.split.anyOf(f.member[k]) > 0.5 {
			return false
		}
	}
	return true
}

// out ends a flame; its rate is the mean over its life.
func (f *burning) out(g int, told *[]Happening) {
	fl := &f.flames[g]
	h := Happening{Kind: BurnerOff, Appliance: f.names[g]}
	if fl.steadyN > 0 {
		rate := fl.steady / float64(fl.steadyN)
		h.KgPerH = printed(rate)
	}
	*fl = flame{}
	*told = append(*told, h)
}

// heater and other are the burn of the heater and of all else, with the doubt about which
// is which.
func (f *burning) heater() (heater, other Quantity) {
	if !f.rate.Known() {
		return f.rate, f.rate
	}
	h := f.split.heater
	if h < 0 {
		return Unknown("no heater configured"), f.rate
	}
	p := f.split.alight(h)
	r := f.split.part[h]
	q := f.rate
	if h < len(f.shares) {
		q.Value = f.shares[h].KgPerH
	}
	q.Low, q.High = 0, min(max(r.highKgPerH, q.Value), f.rate.High)
	switch {
	case p < 0.025:
		q.High = 0
	case p > 0.975:
		q.Low = min(r.lowKgPerH, f.rate.High)
	}
	q.Low, q.High = min(q.Low, q.Value), max(q.High, q.Value)
	o := f.rate
	o.Value = max(0, f.rate.Value-q.Value)
	o.Low, o.High = max(0, f.rate.Low-q.High), max(0, f.rate.High-q.Low)
	o.Low, o.High = min(o.Low, o.Value), max(o.High, o.Value)
	if !f.sure() {
		q.Quality, q.Why = sensors.Suspect, "the rates cannot be told apart"
		o.Quality, o.Why = q.Quality, q.Why
	}
	return q, o
}

func (f *burning) sure() bool { return len(f.shares) == 0 || f.shares[0].Sure }

// heaterKgPerH is the heater's learned rate, 0 without one.
func (f *burning) heaterKgPerH() float64 {
	if h := f.split.heater; h >= 0 {
		return f.split.part[h].meanKgPerH
	}
	return 0
}

// burnerAlike reports whether a hand-set burner can burn at the heater's rate.
func (f *burning) burnerAlike() bool {
	r := f.heaterKgPerH()
	for _, a := range f.split.apps {
		if a.Kind == Burner && kgPerHFromKW(a.RatedKW) > (1-heaterBand)*r {
			return true
		}
	}
	return false
}

// likeHeater reports whether the burn is near the heater's rate.
func (f *burning) likeHeater() bool {
	h := f.split.heater
	if h < 0 {
		return false
	}
	r := f.split.part[h].meanKgPerH
	return math.Abs(f.mean-r) < heaterBand*r
}

// printed is a mass or a rate for the log of events: to a tenth of a gram, since more digits
// would say what nobody knows.
func printed(kg float64) *float64 {
	kg = math.Round(kg*1e4) / 1e4
	return &kg
}
