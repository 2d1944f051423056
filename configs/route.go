package configs

import (
	"cmp"
	"fmt"
	"net/mail"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
)

// The kinds of route.
const (
	webhook      = "webhook"
	command      = "command"
	email        = "email"
	mqtt         = "mqtt"
	alertmanager = "alertmanager"
)

// Route is one way to a person and the rules for using it.
type Route struct {
	Kind string
	routes.Way
	ByLink          bool // whoever has the link of a notice may acknowledge its alarm, once, without a sign-in
	routes.Settings      // those of its Kind, whose secrets are still to be read
}

func readRoute(n named) Route {
	t := n.table
	t.checkName(n.name)
	r := Route{
		Settings: routes.Settings{Name: n.name},

		Kind: t.choice("kind", "", webhook, command, email, mqtt, alertmanager),
		Way: routes.Way{
			Cells:              t.texts("cells"),
			After:              t.duration("after", 0, 0),
			Repeat:             t.duration("repeat", 15*time.Minute, 0),
			ReportAcknowledged: t.flag("report_acknowledged", false),
			Timeout:            t.duration("timeout", time.Minute, time.Second),
			Zone:               t.zone("zone"),
		},
		ByLink: t.flag("acknowledge_by_link", false),
	}
	r.Pictures = r.Kind == email
	r.Least = t.priority("lowest_priority", alerts.Low)
	r.Quiet = t.quiet(r.Zone)
	r.Summary = t.daily(r.Zone, r.Quiet)
	switch r.Kind {
	case webhook:
		r.URL = t.address("https://hook.example/nightcell", "https", "http")
		r.CAFile = t.file(t.text("ca_file", ""))
		r.Key, r.Authorization = t.secret("key"), t.secret("authorization")
	case command:
		if r.Command = t.texts("command"); len(r.Command) == 0 || r.Command[0] == "" {
			t.bad("command", "no program is named", `write it with its arguments, as in command = ["/usr/local/bin/buzzer", "--long"]; no shell reads it`)
		}
	case email:
		r.readEmail(t)
	case mqtt:
		r.readMQTT(t)
	case alertmanager:
		r.readAlertmanager(t)
	default:
		if !t.has("kind") {
			t.bad("kind", "it is missing", "it is one of webhook, command, email, mqtt, alertmanager")
		}
		return r // the other keys cannot be judged without it
	}
	t.done()
	return r
}

func (r *Route) readEmail(t *table) {
	r.Server = t.required("server", "mail.example")
	if strings.ContainsAny(r.Server, ":/ ") {
		t.bad("server", fmt.Sprintf("'%s' is not a host name", r.Server), `write it as in server = "mail.example", and port = 465 apart`)
	}
	r.Port = t.whole("port", 0, 1, 65535)
	r.Encryption = routes.Encryption(t.choice("encryption", "starttls", "starttls", "tls", "none"))
	r.User = t.text("user", "")
	r.Password = t.secret("password")
	r.From = t.required("from", "nightcell@lab.example")
	r.To = t.texts("to")
	r.CAFile = t.file(t.text("ca_file", ""))
	if len(r.To) == 0 {
		t.bad("to", "no recipient is given", `write to = ["operator@lab.example"]`)
	}
	check := func(key, address string) {
		if a, err := mail.ParseAddress(address); err != nil || a.Address != address { // no name beside it (RFC 5322, 3.4.1)
			t.bad(key, fmt.Sprintf("'%s' is not a mail address", address), "write name@host alone")
		}
	}
	if r.From != "" { // else it is told already
		check("from", r.From)
	}
	for _, a := range r.To {
		check("to", a)
	}
	if r.Encryption == routes.Unencrypted && !r.Password.IsZero() {
		t.bad("encryption", "the password would cross the network in clear", "write tls or starttls")
	}
	r.checkLogin(t)
}

func (r *Route) readMQTT(t *table) {
	r.URL = t.address("mqtts://broker.example:8883", "mqtts", "mqtt")
	r.Topic = t.text("topic", "")
	if strings.ContainsAny(r.Topic, "#+") { // MQTT 3.1.1, 4.7.1: wildcards only in filters
		t.bad("topic", "a topic to publish to has no wildcards # or +", `write it as in topic = "lab/nightcell"`)
	}
	r.ClientID = t.text("client_id", "")
	r.User = t.text("user", "")
	r.Password = t.secret("password")
	r.CAFile = t.file(t.text("ca_file", ""))
	r.checkLogin(t)
}

func (r *Route) readAlertmanager(t *table) {
	r.URL = t.address("http://127.0.0.1:9093", "https", "http")
	r.Authorization = t.secret("authorization")
	r.CAFile = t.file(t.text("ca_file", ""))
	r.Labels = t.pairs("labels")
	r.Link = t.text("link", "")
	if r.ByLink {
		t.bad("acknowledge_by_link", "an Alertmanager passes its link on to everybody whom it notifies", "leave this out; the link then only shows the alarm")
	}
	if t.has("summary") {
		t.bad("summary", "an Alertmanager carries alarms alone", "leave this out, and let another route carry the summary")
	}
}

func (r *Route) checkLogin(t *table) {
	if r.User != "" && r.Password.IsZero() && !t.has("password") {
		t.bad("user", "there is no password for the user", `write password_file = "path" or password_env = "VARIABLE"`)
	}
}

// priority reads one of the four priorities.
func (t *table) priority(name string, fallback alerts.Priority) alerts.Priority {
	_ = fallback.UnmarshalText([]byte(t.choice(name, fallback.String(), "low", "medium", "high", "highest"))) // it lets no other through
	return fallback
}

// zone reads a time zone by its name in the IANA database; the machine's when none is written.
func (t *table) zone(name string) *time.Location {
	s := cmp.Or(t.text(name, ""), time.Local.String())
	l, err := time.LoadLocation(s)
	if err != nil {
		t.bad(name, fmt.Sprintf("'%s' is not a time zone known on this machine", s), `write it as in zone = "Europe/Vienna"`)
		return time.Local
	}
	return l
}

// quiet reads hours such as "22:00-07:00".
func (t *table) quiet(zone *time.Location) routes.Quiet {
	s := t.text("quiet", "")
	q := routes.Quiet{Location: zone, Always: t.priority("quiet_except", alerts.High)}
	if s == "" {
		return routes.Quiet{}
	}
	from, to, ok := strings.Cut(s, "-")
	start, err := time.Parse("15:04", strings.TrimSpace(from))
	end, err2 := time.Parse("15:04", strings.TrimSpace(to))
	if !ok || err != nil || err2 != nil || start.Equal(end) {
		t.bad("quiet", fmt.Sprintf("'%s' are not hours of the day", s), `write them as in quiet = "22:00-07:00"`)
		return routes.Quiet{}
	}
	q.From, q.To = sinceMidnight(start), sinceMidnight(end)
	return q
}

// afterQuiet stands for the end of the quiet hours.
const afterQuiet = "after quiet"

// daily reads when a route tells its summary: a time of day, or at the end of its quiet hours.
func (t *table) daily(zone *time.Location, q routes.Quiet) routes.Daily {
	s := t.text("summary", "")
	at, err := time.Parse("15:04", s)
	switch {
	case s == "":
		return routes.Daily{}
	case s == afterQuiet && q.From != q.To:
		return routes.Daily{At: q.To, Location: zone}
	case s == afterQuiet:
		t.bad("summary", "there are no quiet hours to come after", `write a time, as in summary = "07:00"`)
	case err != nil:
		t.bad("summary", fmt.Sprintf("'%s' is not a time of day", s), `write it as in summary = "07:00", or "after quiet"`)
	}
	return routes.Daily{At: sinceMidnight(at), Location: zone}
}

func sinceMidnight(t time.Time) time.Duration {
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
}
