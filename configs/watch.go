package configs

import (
	"cmp"
	"fmt"
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/alerts/trend"
	"nightcell/configs/quantity"
)

// readWatch reads what the cell is held against and what to do about it.
func (c *Cell) readWatch(t *table) {
	l := alerts.Defaults()
	l.Poll = c.Poll
	l.CathodeSquareMetres = SI(c.States.CathodeArea)
	l.Silence = max(l.Silence, gapPolls*c.Poll)
	l.Gap = max(l.Gap, 2*c.GapAfter)
	readLimits(t.orEmpty("limits"), &l)
	readWarmup(t.orEmpty("warmup"), &l.Warmup)
	readCalm(t, &l)
	for _, n := range t.each("alarm") {
		c.readAlarm(n, &l)
	}
	slices.SortFunc(c.Reactions, func(a, b alerts.Reaction) int { return cmp.Compare(a.Condition, b.Condition) })
	c.Limits = l
}

// readLimits reads [cell.NAME.limits].
func readLimits(t *table, l *alerts.Limits) {
	l.Amperes = t.measure("current", quantity.Current, positive, l.Amperes)
	l.AmperesPerSquareMetre = t.measure("current_density", quantity.CurrentDensity, positive, l.AmperesPerSquareMetre)
	l.Volts = t.measure("voltage", quantity.Voltage, positive, l.Volts)
	l.DriftVolts = t.measure("voltage_drift", quantity.Voltage, positive, l.DriftVolts)
	l.DriftRelative = t.measure("current_drift", quantity.Fraction, share, l.DriftRelative)
	l.Run = t.duration("duration", l.Run, time.Minute)
	l.Silence = t.duration("silence", l.Silence, time.Second)
	l.Gap = t.duration("gap", l.Gap, time.Second)
	l.Frozen = t.duration("frozen", l.Frozen, 2*l.Poll)
	l.Runaway = t.duration("runaway", l.Runaway, time.Minute)
	l.TargetLead = t.duration("target_lead", l.TargetLead, time.Second)
	l.PlanFraction = t.measure("plan_deviation", quantity.Fraction, share, l.PlanFraction)
	l.Uncertainty = t.measure("uncertainty", quantity.Fraction, share, l.Uncertainty)
	l.DepletionRate = t.measure("limiting_current", quantity.Fraction, positive, l.DepletionRate)
	l.MarginalEnergy = t.measure("marginal_energy", quantity.EnergyPerMass, positive, l.MarginalEnergy)
	l.LogBytes = t.measure("log_disk", quantity.Data, notNegative, l.LogBytes)
	l.PushLag = t.duration("push_lag", l.PushLag, time.Second)
	l.DeliveryLag = t.duration("delivery_lag", l.DeliveryLag, time.Second)
	t.done()
}

// readWarmup reads [cell.NAME.warmup]: how the corridor is learned.
func readWarmup(t *table, w *trend.CorridorSettings) {
	const hour = 3600 // V/s to V/h, which the alarms count in
	w.Skip = t.duration("skip", time.Duration(w.Skip)*time.Second, 0).Seconds()
	w.Longest = t.duration("longest", time.Duration(w.Longest)*time.Second, time.Minute).Seconds()
	w.SettledSlope = hour * t.measure("settled_slope", quantity.VoltageRate, positive, w.SettledSlope/hour)
	w.Follow = hour * t.measure("follow", quantity.VoltageRate, notNegative, w.Follow/hour)
	if w.Skip >= w.Longest {
		t.bad("longest", "the learning ends before it begins", fmt.Sprintf("longest is more than skip, %s", quantity.Format(quantity.Time, w.Skip)))
	}
	t.done()
}

// readCalm reads [cell.NAME.chatter] and [cell.NAME.flood].
func readCalm(t *table, l *alerts.Limits) {
	chatter := t.orEmpty("chatter")
	l.Chatter.Count = chatter.whole("count", l.Chatter.Count, 2, 8)
	l.Chatter.In = chatter.duration("in", l.Chatter.In, time.Second)
	l.Chatter.Hold = chatter.duration("hold", l.Chatter.Hold, time.Second)
	chatter.done()
	flood := t.orEmpty("flood")
	l.Flood.In = flood.duration("in", l.Flood.In, time.Second)
	l.Flood.Above = flood.whole("above", l.Flood.Above, 1, 15)
	l.Flood.Below = flood.whole("below", l.Flood.Below, 1, 15)
	if l.Flood.Below > l.Flood.Above {
		flood.bad("below", "a flood would end before it begins", fmt.Sprintf("below is at most above, %d", l.Flood.Above))
	}
	flood.done()
}

// readAlarm reads [cell.NAME.alarm.CONDITION].
func (c *Cell) readAlarm(n named, l *alerts.Limits) {
	t := n.table
	condition, err := alerts.ParseCondition(n.name)
	if err != nil {
		_, remedy, _ := strings.Cut(err.Error(), "; ")
		t.bad("", "there is no condition of this name", remedy)
		return
	}
	s := l.Setting(condition)
	s.OnDelay = t.duration("on_delay", s.OnDelay, 0)
	s.OffDelay = t.duration("off_delay", s.OffDelay, 0)
	s.Deadband = t.measure("deadband", quantity.Fraction, notNegative, s.Deadband)
	s.Priority = t.priority("priority", s.Priority)
	s.Latching = t.flag("latching", s.Latching)
	s.Ignored = t.flag("ignored", s.Ignored)
	if s.Ignored && t.text("reason", "") == "" {
		t.bad("ignored", "a condition is not judged any more", `say why: reason = "…"`)
	}
	t.find("reason")
	s.Source = "the configuration"
	do := acts[t.choice("then", "notify", "notify", "hold", "off")]
	switch after := t.duration("then_after", 0, 0); {
	case do != alerts.Notify:
		c.Reactions = append(c.Reactions, alerts.Reaction{Condition: condition, Do: do, After: after})
	case t.has("then_after"):
		t.bad("then_after", "nothing is to be done then", `write then = "off" or then = "hold", or leave this out`)
	}
	t.done()
}

// Page is where the web page and the metrics are served.
type Page struct {
	Listen    string        // host:port; empty: not served
	WebConfig string        // path of a web configuration file with TLS and authentication; empty: none
	Token     routes.Secret // of the operator, for acting from the page
	// Hosts are names under which the page may be asked for besides the address of Listen.
	Hosts []string
	// PublicURL is where telephones reach the page, without a slash at the end; empty: notices carry no links.
	PublicURL string
	LinkLasts time.Duration // a link of a notice
	protected bool          // what travels to PublicURL is encrypted, or stays on this machine
}

func readPage(t *table) Page {
	p := Page{Listen: t.text("listen", defaultListen), Token: t.secret("token"), Hosts: t.texts("hosts")}
	p.WebConfig = t.file(t.text("web_config", ""))
	p.readLinks(t)
	t.done()
	if p.Listen == "" {
		return p
	}
	host, port, err := net.SplitHostPort(p.Listen)
	if n, badPort := strconv.Atoi(port); err != nil || badPort != nil || n < 0 || n > 65535 {
		t.bad("listen", fmt.Sprintf("'%s' is not an address to listen on", p.Listen), fmt.Sprintf("write host and port as in listen = %q, or \"\" for no page", defaultListen))
		return p
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) && p.WebConfig == "" {
		t.bad("listen", fmt.Sprintf("'%s' can be reached from other machines, and no web_config guards it", p.Listen),
			fmt.Sprintf("write web_config = \"path\" of a file with TLS and users, or listen = %q", defaultListen))
	}
	return p
}

// readLinks reads where the links of notices lead. The name that they carry is one under which the page may be asked for.
func (p *Page) readLinks(t *table) {
	p.PublicURL = strings.TrimSuffix(t.text("public_url", ""), "/")
	p.LinkLasts = t.duration("link_lasts", 12*time.Hour, time.Minute) // a night and a morning
	if p.PublicURL == "" {
		return
	}
	switch u, err := url.Parse(p.PublicURL); {
	case err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || u.Path != "" || u.RawQuery != "" || u.Fragment != "":
		t.bad("public_url", "it is not the scheme and host of a page", `write scheme and host alone, as in public_url = "https://bench.lab.example"`)
	case p.Listen == "":
		t.bad("public_url", "no page is served", "name an address under listen, or leave this out")
	default:
		p.Hosts = append(p.Hosts, u.Host)
		ip := net.ParseIP(u.Hostname())
		p.protected = u.Scheme == "https" || u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	}
}
