package configs

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/drivers/scpi"
	"nightcell/integrate/matter"
)

// Mistake is one thing that is wrong in a configuration, and where.
type Mistake struct {
	File   string
	Line   int    // 0: no line of the file is to blame
	Key    string // with its tables: cell.zinc-1.bath.volume
	Wrong  string
	Remedy string // what would be right; may be empty
	cause  error  // what the system said of what lies outside the file; nil: nothing
}

// Unwrap returns the cause.
func (m Mistake) Unwrap() error { return m.cause }

// Error is one line: file:line: key: what is wrong; what would be right.
func (m Mistake) Error() string {
	var b strings.Builder
	b.WriteString(m.File)
	if m.Line > 0 {
		fmt.Fprintf(&b, ":%d", m.Line)
	}
	if m.Key != "" {
		b.WriteString(": " + m.Key)
	}
	b.WriteString(": " + m.Wrong)
	if m.Remedy != "" {
		b.WriteString("; " + m.Remedy)
	}
	return b.String()
}

// Mistakes is everything that is wrong in a configuration, in the order of the file. It is the
// error of Parse and Load.
type Mistakes []Mistake

// Error has one line for each mistake.
func (m Mistakes) Error() string {
	lines := make([]string, len(m))
	for i := range m {
		lines[i] = m[i].Error()
	}
	return strings.Join(lines, "\n")
}

// inOrder sorts by line and key, and drops what is said twice.
func (m Mistakes) inOrder() Mistakes {
	slices.SortStableFunc(m, func(a, b Mistake) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Key, b.Key))
	})
	if last := len(m) - 1; last >= 0 && m[last].Line == math.MaxInt { // what stands last has no line of its own
		m[last].Line = 0
	}
	return slices.Compact(m)
}

// crossCheck finds what is wrong between tables that are each right by themselves.
func (c *Config) crossCheck(t *table, supplies, meters, cells []named) {
	if len(cells) == 0 {
		t.bad("", "there is no cell to watch", "write a table such as [cell.zinc-1] with its supply")
	}
	ports := map[string]string{}
	for i := range c.Supplies {
		s := &c.Supplies[i]
		if on := slices.IndexFunc(c.Supplies[:i], func(o Supply) bool { return o.Line.Address == s.Line.Address }); on >= 0 && s.Line.Address != "" {
			s.checkShared(supplies[i], c.Supplies[on:i])
		}
		ports[s.Line.Address] = s.Name
	}
	for i, m := range c.Meters {
		if other, twice := ports[m.Line.Address]; twice && m.Line.Address != "" {
			meters[i].bad("port", fmt.Sprintf("%s has the same port", other), "each instrument has a line of its own")
		}
		ports[m.Line.Address] = m.Name
	}
	names, channels, ledgers, measured := map[string]string{}, map[string]string{}, map[string]string{}, map[string]string{}
	for i := range c.Cells {
		cell, at := &c.Cells[i], cells[i].table
		if other, twice := names[strings.ToLower(cell.Name)]; twice {
			at.bad("", fmt.Sprintf("cell %s has a name that differs only in capitals", other), "some file systems cannot distinguish their folders; choose another name")
		}
		names[strings.ToLower(cell.Name)] = cell.Name
		cell.checkSupply(at, c, channels)
		cell.checkMeters(at, c, measured)
		cell.checkLedgers(at, ledgers)
		cell.checkHands(at)
		cell.checkPlan(at)
		if cell.GapAfter < 2*cell.Poll {
			at.bad("gap_after", fmt.Sprintf("%v is less than two polls of %v, so that one late reading is a gap", cell.GapAfter, cell.Poll), "choose it longer, such as five polls")
		}
	}
	c.checkCells(t)
}

// checkSupply compares a cell with the supply it names.
func (c *Cell) checkSupply(t *table, all *Config, channels map[string]string) {
	s := all.Supply(c.Supply)
	if c.Supply == "" {
		return
	}
	if s == nil {
		var known []string
		for i := range all.Supplies {
			known = append(known, all.Supplies[i].Name)
		}
		remedy := "write a table [supply." + c.Supply + "]"
		if len(known) > 0 {
			remedy += " or name one of " + strings.Join(known, ", ")
		}
		t.bad("supply", fmt.Sprintf("there is no supply '%s'", c.Supply), remedy)
		return
	}
	for _, n := range c.Channels() {
		place := fmt.Sprintf("%s/%d", c.Supply, n)
		if other, twice := channels[place]; twice && !c.sharesChannel(all.Cell(other)) {
			key := "channel"
			if n != c.Channel {
				key = "parallel"
			} else if !t.has(key) {
				key = "supply"
			}
			remedy := "give each cell a channel of its own, or say in_series of both if the current passes one after the other"
			if c.Series > 1 {
				remedy = "cells in series have the same channels, in_series, may, on_stop, at_target and hold_current, because what is done to one is done to all"
			}
			t.bad(key, fmt.Sprintf("channel %d of supply %s is taken by cell %s", n, c.Supply, other), remedy)
		}
		channels[place] = c.Name
	}
	here := 0
	for i := range all.Cells {
		if o := &all.Cells[i]; o.Supply == c.Supply && o.Channel == c.Channel {
			here++
		}
	}
	if c.Series > 1 && here > c.Series {
		t.bad("in_series", fmt.Sprintf("%d cells of this file are on the channel, more than the %d in series there", here, c.Series), "count the cells that the current passes one after the other, those included that are not watched")
	}
	if d := &s.Dialect; len(c.Parallel) > 0 && d.Addressing == scpi.AddressNone && !strings.Contains(d.MeasureBoth+d.MeasureVolts, "{n}") {
		t.bad("parallel", fmt.Sprintf("the dialect of supply %s does not say how a channel is named, so that one would be read for all", c.Supply),
			`write addressing = "list" or "select" in [supply.`+c.Supply+`.dialect], or {n} in its queries`)
	}
	limits := t.orEmpty("limits")
	if most := s.RangeAmperes * float64(len(c.Channels())); c.Limits.Amperes > most {
		limits.bad("current", fmt.Sprintf("%s can never be reached: the supply gives at most %s", amperes(c.Limits.Amperes), amperes(most)), "lower it, or correct range_current of the supply")
	}
	if most := s.RangeVolts / float64(c.Series); c.Limits.Volts > most {
		limits.bad("voltage", fmt.Sprintf("%s can never be reached: the supply gives at most %s", volts(c.Limits.Volts), volts(most)), "lower it, or correct range_voltage of the supply")
	}
}

// checkShared finds what is wrong of a supply on the port of the first of others.
func (s *Supply) checkShared(at named, others []Supply) {
	first, said := &others[0], fmt.Sprintf("supply %s has the same port", others[0].Name)
	const alone = "two cells may share one supply, each on a channel of its own"
	twin := slices.IndexFunc(others, func(o Supply) bool {
		return o.Line == s.Line && o.Dialect.Protocol == s.Dialect.Protocol && o.Dialect.Unit == s.Dialect.Unit
	})
	switch {
	case s.Dialect.Protocol == "" || first.Dialect.Protocol == "":
		at.bad("port", said, alone)
	case s.Dialect.Protocol != first.Dialect.Protocol || s.Line != first.Line:
		at.bad("port", said+" with another protocol, baud, data_bits, parity, stop_bits, dtr or rts", "give all units on one line the same")
	case twin >= 0:
		at.orEmpty("dialect").bad("unit", fmt.Sprintf("supply %s on the same port has unit %d too", others[twin].Name, s.Dialect.Unit), "give each supply a unit of its own, in its menu and here; "+alone)
	}
}

// sharesChannel says whether two cells are in series on the same channels, and may be acted on alike.
func (c *Cell) sharesChannel(other *Cell) bool {
	return other != nil && other.Name != c.Name && c.Series > 1 && c.Series == other.Series && slices.Equal(c.Channels(), other.Channels()) &&
		c.May == other.May && c.OnStop == other.OnStop && c.AtTarget == other.AtTarget && (c.HoldAmperes == other.HoldAmperes || !c.May.Hold)
}

func amperes(v float64) string { return quantity.Format(quantity.Current, v) }
func volts(v float64) string   { return quantity.Format(quantity.Voltage, v) }

// decision is one place where a cell says what becomes of its output.
type decision struct {
	at  *table
	key string
	do  alerts.Act
}

// decisions lists what the cell may be led to do, in a fixed order.
func (c *Cell) decisions(t *table) []decision {
	all := []decision{{t, "on_stop", c.OnStop}, {t, "at_target", c.AtTarget}}
	alarms := t.orEmpty("alarm")
	for _, r := range c.Reactions {
		all = append(all, decision{alarms.orEmpty(r.Condition.String()), "then", r.Do})
	}
	return slices.DeleteFunc(all, func(d decision) bool { return d.do == alerts.Notify })
}

// checkHands keeps every action within what the operator permitted and the metal bears.
func (c *Cell) checkHands(t *table) {
	safe, why := c.safeState()
	holds := c.May.Hold
	for _, d := range c.decisions(t) {
		holds = holds || d.do == alerts.Hold
		if !c.May.Allows(d.do) {
			d.at.bad(d.key, fmt.Sprintf("'%s' is not permitted for this cell", d.do), fmt.Sprintf(`add "%s" to may, or leave this out: nightcell then only notifies`, d.do))
		}
		if safe != alerts.Notify && safe != d.do && c.Reason == "" {
			d.at.bad(d.key, fmt.Sprintf("'%s' is not the safe state of %s: %s", d.do, c.Bath.Metal, why), fmt.Sprintf(`choose '%s', or say why not with reason = "…" in [%s]`, safe, t.path))
		}
	}
	switch {
	case holds && !known(c.HoldAmperes):
		t.bad("hold_current", "it is missing, and hold is permitted", `write it as in hold_current = "0.2 A"`)
	case c.HoldAmperes > c.Limits.Amperes:
		t.bad("hold_current", fmt.Sprintf("%s is more than the limit of %s", amperes(c.HoldAmperes), amperes(c.Limits.Amperes)), "a hold current is a small part of the working current")
	}
	if c.AtTarget != alerts.Notify && c.Target == nil {
		t.bad("at_target", "there is no target", "write ["+t.path+".target]")
	}
}

// safeState is what the table of metals says of an output that nobody stands by; Tell when it says nothing.
func (c *Cell) safeState() (do alerts.Act, why string) {
	if c.Bath == nil {
		return alerts.Notify, ""
	}
	metal, err := matter.LookUp(c.Bath.Metal)
	if err != nil {
		return alerts.Notify, ""
	}
	switch stop := metal.Stop(matter.Medium(c.Bath.Medium)); stop.Unattended {
	case matter.Hold:
		return alerts.Hold, stop.Why
	case matter.Off:
		return alerts.Off, stop.Why
	}
	return alerts.Notify, ""
}

// checkCells makes sure that the cells named by routes and pushes exist.
func (c *Config) checkCells(t *table) {
	check := func(group, name string, cells []string) {
		for _, cell := range cells {
			if c.Cell(cell) == nil {
				t.orEmpty(group).orEmpty(name).bad("cells", fmt.Sprintf("there is no cell '%s'", cell), "name a cell of this file, or leave cells out for all")
			}
		}
	}
	for _, r := range c.Routes {
		check("route", r.Name, r.Cells)
		if r.ByLink && r.Kind != alertmanager && !c.Page.protected {
			t.orEmpty("route").orEmpty(r.Name).bad("acknowledge_by_link", "anyone who sees the link in transit could use it, unless public_url is https",
				`write public_url = "https://…" under [page], or leave this out`)
		}
	}
	for _, p := range c.Pushes {
		check("push", p.Name, p.Cells)
	}
}
