package configs

import (
	"cmp"
	"fmt"
	"net/mail"
	"net/url"
	"strings"
	"time"

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

// Route is one way to a person and the rules for using it. Of the fields after
// Timeout only those of its Kind are set.
type Route struct {
	Name string
	Kind string
	routes.Way
	ByLink bool // whoever has the link of a notice may acknowledge its alarm, once, without a sign-in

	Address       Address // webhook, MQTT broker, Alertmanager
	CAFile        string
	Event         routes.EventSettings // webhook, MQTT
	Key           Secret               // webhook: signs what is sent
	Authorization Secret               // webhook, Alertmanager: the whole header, such as "Bearer …"
	Command       []string             // program and arguments
	Environment   []string             // command: NAME=value
	Server        string               // email: host
	Port          int                  // email; 0: the common one of the encryption
	Encryption    routes.Encryption    // email
	From          string               // email
	To            []string             // email
	Topic         string               // MQTT
	ClientID      string               // MQTT
	User          string               // email, MQTT
	Password      Secret               // email, MQTT
	Labels        map[string]string    // Alertmanager: added to each alert
	Link          string               // Alertmanager: where the alert points to, such as the page
}

func readRoute(n named) Route {
	t := n.table
	t.checkName(n.name)
	r := Route{
		Name: n.name,
		Kind: t.choice("kind", "", webhook, command, email, mqtt, alertmanager),
		Way: routes.Way{
			Cells:              t.texts("cells"),
			After:              t.duration("after", 0, 0),
			Repeat:             t.duration("repeat", defaultRepeat, 0),
			ReportAcknowledged: t.flag("report_acknowledged", false),
			Timeout:            t.duration("timeout", defaultTimeout, time.Second),
			Zone:               t.zone("zone"),
		},
		ByLink: t.flag("acknowledge_by_link", false),
	}
	r.Pictures = r.Kind == email
	r.Least = t.priority("lowest_priority", routes.Low)
	r.Quiet = t.quiet(r.Zone)
	r.Summary = t.daily(r.Zone, r.Quiet)
	switch r.Kind {
	case webhook:
		r.readWebhook(t)
	case command:
		r.readCommand(t)
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

func (r *Route) readWebhook(t *table) {
	r.Address = t.address("https://hook.example/nightcell", "https", "http")
	r.CAFile = t.file(t.text("ca_file", ""))
	r.Key = t.secret("key")
	r.Authorization = t.secret("authorization")
	r.readEvent(t)
}

// readEvent reads what the user may choose of a CloudEvent's envelope.
func (r *Route) readEvent(t *table) {
	r.Event = routes.EventSettings{Source: t.text("event_source", ""), Type: t.text("event_type", "")}
	if _, err := url.Parse(r.Event.Source); err != nil {
		t.bad("event_source", fmt.Sprintf("'%s' is not a URI reference", r.Event.Source), `write it as in event_source = "https://lab.example/nightcell"`)
	}
}

func (r *Route) readCommand(t *table) {
	r.Command = t.texts("command")
	if len(r.Command) == 0 || r.Command[0] == "" {
		t.bad("command", "no program is named", `write it with its arguments, as in command = ["/usr/local/bin/buzzer", "--long"]; no shell reads it`)
	}
	r.Environment = t.texts("environment")
	for _, e := range r.Environment {
		if name, _, ok := strings.Cut(e, "="); !ok || name == "" {
			t.bad("environment", fmt.Sprintf("'%s' sets no variable", e), `write each as "NAME=value"`)
		}
	}
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
	if r.Encryption == routes.Unencrypted && !r.Password.isZero() {
		t.bad("encryption", "the password would cross the network in clear", "write tls or starttls")
	}
	r.checkLogin(t)
}

func (r *Route) readMQTT(t *table) {
	r.Address = t.address("mqtts://broker.example:8883", "mqtts", "mqtt")
	r.Topic = t.text("topic", "")
	r.readEvent(t)
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
	r.Address = t.address("http://127.0.0.1:9093", "https", "http")
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
	if r.User != "" && r.Password.isZero() && !t.has("password") {
		t.bad("user", "there is no password for the user", `write password_file = "path" or password_env = "VARIABLE"`)
	}
}

// priority reads one of the four priorities.
func (t *table) priority(name string, fallback routes.Priority) routes.Priority {
	p, err := routes.ParsePriority(t.choice(name, fallback.String(), priorities...))
	if err != nil {
		t.bad(name, err.Error(), "")
	}
	return p
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
	q := routes.Quiet{Location: zone, Always: t.priority("quiet_except", routes.High)}
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
