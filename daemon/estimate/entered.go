package estimate

// Entered is the part of a State that people gave or that only ever grows: tare, stamped
// capacity and the burned total. A program whose beliefs may be poisoned goes on from it.
func (s State) Entered() State {
	kept := State{Version: s.Version, Clock: s.Clock, Calibration: s.Calibration}
	c, k := &s.Scale, &kept.Scale
	k.Presence, k.CapacityKg, k.ConfigKg, k.Said, k.BurnedKg = PresenceUnknown, c.CapacityKg, c.ConfigKg, c.Said, c.BurnedKg
	k.ConfigFrac = c.ConfigFrac
	k.Tare, k.Prior = c.Tare, c.Prior
	k.Known, k.On, k.Was = c.Known, c.On, c.Was
	return kept
}
