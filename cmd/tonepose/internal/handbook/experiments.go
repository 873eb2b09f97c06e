package handbook

// Experiment is a small piece of coursework on the virtual bench: it sets the bench up,
// says what to do and what to watch, what theory says, and what the page should read.
type Experiment struct {
	ID       string         `json:"id"` // part of an address: lower case and hyphens
	Title    string         `json:"title"`
	Question string         `json:"question"`
	Minutes  int            `json:"minutes"`
	Setup    map[string]any `json:"setup"` // knobs of the virtual bench, by their names; others stand as at first
	Steps    []Step         `json:"steps"`
	Theory   Theory         `json:"theory"`
	Readings []Reading      `json:"readings"`
}

// Step is one thing to do.
type Step struct {
	Do    string         `json:"do"`
	Watch string         `json:"watch"`
	Set   map[string]any `json:"set,omitempty"` // knobs that do it; none: a person does
}

// Theory is what an experiment rests on.
type Theory struct {
	Words   string `json:"words"`
	Formula string `json:"formula"`
	Source  string `json:"source"`
}

// Reading is what the page should read when the last step is done.
type Reading struct {
	ID        string  `json:"id"` // quantity, as the page names it
	Words     string  `json:"words"`
	Expected  float64 `json:"expected"`
	Unit      string  `json:"unit"`
	Tolerance float64 `json:"tolerance"` // relative
}

// Experiments are those of the virtual bench.
func Experiments() []Experiment { return experiments }

var experiments = []Experiment{}
