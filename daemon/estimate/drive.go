package estimate

// When the van is driving, by the scale alone: the median of the differences between
// successive readings exceeds jerkKg through jerkWindowS. No storm does that and every
// road does (estimation.md 2, "Driving"). The median is beyond jerkKg when half of the
// differences are; a drive begins at a little more than half and ends at a little less.
const (
	jerkKg      = 0.030
	jerkWindowS = 80
	jerkSpanS   = 60 // the differences that begin a drive must span this much
	jerkLeastN  = 6  // differences; at ticks of 10 s the window holds eight
	jerkBegins  = 0.6
	jerkEnds    = 0.4

	// A key turned on is a drive, unless the scale then stays quiet for so long that the
	// van plainly stands with its key on. The time is an engineering judgement.
	keyOnIdleS = 600
)

// motion tells driving from standing. Its zero value is a van that stands.
type motion struct {
	ring    [128]jerk // of the window, oldest first from head
	head, n int
	rough   int // how many in the window exceed jerkKg
	lastKg  float64
	lastS   float64
	have    bool

	moving  bool
	roughS  float64 // when the window was last rough, or the key was turned
	keyOn   bool
	sawEver bool
}

type jerk struct {
	upS   float64
	rough bool
}

// weight takes one accepted weight and says whether it differs from the last as on a road.
func (m *motion) weight(upS, kg float64) (jerked bool) {
	if m.have && upS-m.lastS < jerkWindowS/2 {
		d := kg - m.lastKg
		j := jerk{upS, d > jerkKg || d < -jerkKg}
		if m.n == len(m.ring) {
			m.drop()
		}
		m.ring[(m.head+m.n)%len(m.ring)] = j
		m.n++
		if j.rough {
			m.rough++
		}
		jerked = j.rough
	}
	m.lastKg, m.lastS, m.have = kg, upS, true
	return jerked
}

func (m *motion) drop() {
	if m.ring[m.head].rough {
		m.rough--
	}
	m.head = (m.head + 1) % len(m.ring)
	m.n--
}

// step works out whether the van moves, from the window and the ignition input (Unsure if
// it is not wired or not believed). It says whether a drive started or ended in this tick.
func (m *motion) step(upS float64, key Tristate) (started, ended bool) {
	for m.n > 0 && m.ring[m.head].upS < upS-jerkWindowS {
		m.drop()
	}
	limit := jerkBegins
	if m.moving {
		limit = jerkEnds
	}
	rough := m.n >= jerkLeastN && float64(m.rough) > limit*float64(m.n)
	if !m.moving && rough { // a few wild readings after a fault are no road
		rough = m.ring[(m.head+m.n-1)%len(m.ring)].upS-m.ring[m.head].upS >= jerkSpanS
	}
	turned := key == Yes && !m.keyOn
	m.keyOn = key == Yes
	if rough || turned {
		m.roughS, m.sawEver = upS, true
	}
	driven := rough || m.keyOn && m.sawEver && upS-m.roughS < keyOnIdleS
	if key == No && m.n < jerkLeastN {
		driven = false
	}
	switch {
	case driven && !m.moving:
		m.moving, started = true, true
	case !driven && m.moving:
		m.moving, ended = false, true
	}
	return started, ended
}

// forget drops the window: the weights in it belong to another load.
func (m *motion) forget() {
	m.head, m.n, m.rough, m.have = 0, 0, 0, false
}
