package configs

import (
	"nightcell/alerts/routes"
	"strings"
	"time"
)

// Push is one database that the run log's lines are sent to.
type Push struct {
	Name      string
	URL       routes.Secret // of the server, without /write
	Form      string        // v1: /write; v2: /api/v2/write
	Database  string        // v1
	Retention string        // v1: retention policy; empty: the database's own
	User      string        // v1
	Password  routes.Secret // v1
	Bucket    string        // v2
	Org       string        // v2
	Token     routes.Secret // v2
	CAFile    string
	Cells     []string      // empty: all
	Every     time.Duration // between two batches while nothing is owed
	Batch     int           // most lines in one request
	Timeout   time.Duration
	Tags      map[string]string // added to each line
	// NumbersOnly leaves out the fields of text, of which a database of numbers alone makes series of zeros.
	NumbersOnly bool
}

func readPush(n named) Push {
	t := n.table
	t.checkName(n.name)
	p := Push{
		Name:    n.name,
		URL:     t.address("http://127.0.0.1:8086", "http", "https"),
		Form:    t.choice("form", "v1", "v1", "v2"),
		CAFile:  t.file(t.text("ca_file", "")),
		Cells:   t.texts("cells"),
		Every:   t.duration("every", 10*time.Second, 100*time.Millisecond),
		Batch:   t.whole("batch", 5000, 1, 100_000), // lines; line-protocol servers advise about 5000
		Timeout: t.duration("timeout", 30*time.Second, time.Second),
		Tags:    t.pairs("tags"),

		NumbersOnly: t.flag("numbers_only", false),
	}
	if p.Form == "v2" {
		p.Bucket = t.required("bucket", "lab")
		p.Org = t.required("org", "lab")
		p.Token = t.secret("token")
	} else {
		p.Database = t.required("database", "lab")
		p.Retention = t.text("retention", "")
		p.User = t.text("user", "")
		p.Password = t.secret("password")
	}
	if strings.HasSuffix(p.URL.Reveal(), "/write") {
		t.bad("url", "the address ends in /write", "write the server alone; the form says which path is asked")
	}
	t.done()
	return p
}

// pairs reads a table of strings, such as labels.
func (t *table) pairs(name string) map[string]string {
	v := t.sub(name)
	if v == nil {
		return nil
	}
	all := map[string]string{}
	for _, k := range v.names() {
		all[k] = v.text(k, "")
		if k == "cell" || k == "supply" {
			v.bad(k, "nightcell sets this one itself", "choose another name")
		}
	}
	return all
}

// readHeartbeat reads the call to an outside watcher, whose absence is the alarm.
func readHeartbeat(t *table) *routes.HeartbeatSettings {
	h := &routes.HeartbeatSettings{
		URL:    t.address("https://watch.example/nightcell", "https", "http"),
		Method: t.choice("method", "POST", "POST", "GET"),
		Every:  t.duration("every", time.Minute, time.Second),
		CAFile: t.file(t.text("ca_file", "")),
	}
	t.done()
	return h
}
