package alerts

// Blind says plainly what this watch cannot see: what no volt or ampere shows, what
// this metal hides, and what this supply or this moment withholds.
func (b *Board) Blind() []string {
	says := []string{
		"Volts and amperes do not show pH, which metal is plating, current efficiency, a leak before the plates are bared, gas in the room, a failed fan, or one shorted plate among several.",
	}
	c, m := &b.chemistry, &b.m
	switch {
	case c.DepletionVisible:
		says = append(says, "For "+c.Metal+" an emptying bath does show, as a rise of half a volt to a volt, but late: take assays.")
	case c.Metal != "":
		says = append(says, "For "+c.Metal+" an emptying bath hardly shows in volts or amperes: trust charge, model and assay.")
	}
	if !finite(c.FloorVolts) {
		says = append(says, "No thermodynamic floor is known for this cell, so a hard short is judged only against its own learned level.")
	}
	if !m.Started {
		return says
	}
	if m.Running && !m.Corridor.Settled {
		says = append(says, "The corridor of this cell is being learned since "+m.Why+": contact, stirrer and slow ohmic rise are not judged yet, and of drift only a rise.")
	}
	if m.Running && m.Repeats.Blocks >= 15 && !m.Repeats.lively() {
		says = append(says, "This supply's display is so coarse that its readings often stand still; a frozen reading cannot be told from that.")
	}
	if m.Running && m.Regulation == ModeUnknown {
		says = append(says, "The supply does not tell, or has not told for long enough, whether it holds current or voltage.")
	}
	if m.Running && !finite(m.Set.Amperes.float()) {
		says = append(says, "The supply does not tell its current set-point; a changed knob shows only by its effect.")
	}
	return says
}
