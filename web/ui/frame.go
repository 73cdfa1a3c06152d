package ui

// Frame is what surrounds every page: who looks at which page of which plant, when, and how.
type Frame struct {
	Title   string // of the window, without the name of the service: "Line"
	Here    string // the page's own address with its query, for refreshing and for coming back after a change of looks
	Page    Place  // which of the pages is marked in the navigation
	Plant   string // "Tarnbeck Works"; "" before anybody signed in
	Shift   string // "early shift"; "" when the plant has no shifts
	Clock   string // plant time of this page: "13:41"
	Zone    string // "UTC+2"
	At      string // what stands with the person: "gauge CG-1"; "" for nothing
	Person  string // "R. Tamm"; "" for nobody signed in: then there is no navigation
	Role    string // "supervisor"
	Theme   Theme
	Lengths Lengths
	Demo    string // banner of the demonstration: that all is invented; "" for none
	Live    string // address of the event stream; "" for a page that stands still
	Gauge   bool   // large type, read at two metres
	Caution string // first words of the foot where the page sends someone to the line or the glass
	Plots   bool   // the page has drawings that refer to the common patterns
	Said    string // what has just been done ("Limits revised."), announced once; "" for nothing
}

// Place is one of the pages in the navigation.
type Place string

// The pages that exist.
const (
	AtGauge      Place = "Gauge"
	AtLine       Place = "Line"
	AtSignals    Place = "Signals"
	AtHolds      Place = "Holds"
	AtPanels     Place = "Panels"
	AtCharts     Place = "Charts"
	AtCapability Place = "Capability"
	AtHandOver   Place = "Hand-over"
	AtReports    Place = "Reports"
	AtStudies    Place = "Gauge studies"
	AtSetUp      Place = "Set-up"
)

// Theme is light, dark, or as the system has it.
type Theme string

// The themes.
const (
	System Theme = "system"
	Light  Theme = "light"
	Dark   Theme = "dark"
)

// Pages lists the navigation in its order.
var Pages = []struct {
	Place Place
	Href  string
}{
	{AtGauge, "/gauge"}, {AtLine, "/"}, {AtSignals, "/signals"}, {AtHolds, "/holds"}, {AtPanels, "/panels"}, {AtCharts, "/charts"}, {AtCapability, "/capability"}, {AtHandOver, "/hand-over"}, {AtReports, "/reports"}, {AtStudies, "/studies"}, {AtSetUp, "/setup"},
}

// who joins what stands at the right of the head, the clock aside.
func (f Frame) who() []string {
	var out []string
	for _, s := range []string{f.Plant, f.Shift} {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// person joins what follows the clock.
func (f Frame) person() string {
	s := f.Person
	if f.Role != "" {
		s += ", " + f.Role
	}
	if f.At != "" {
		s = f.At + " · " + s
	}
	return s
}

// again lists the ids of the parts that a live page fetches again, the clock with them, as htmx wants them.
func again(parts []string) string {
	out := "#clock"
	for _, id := range parts {
		out += ",#" + id
	}
	return out
}

// HTMX is the configuration of htmx for a strict content policy: no styles of its own, nothing evaluated, no scripts from answers,
// no copies of pages kept in the browser.
const HTMX = `{"includeIndicatorStyles":false,"allowEval":false,"allowScriptTags":false,"historyEnabled":false,"historyCacheSize":0,"selfRequestsOnly":true}`
