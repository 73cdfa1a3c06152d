package plant

import (
	"encoding/json"
	"slices"
	"strings"
	"time"

	"sagwatch/spc"
)

// The causes and actions that come with the program, in the order in which they are offered; the causes with what to look at
// on the readings and a checklist each. All of it is common practice in the trade, without a source, and is there to be put
// into the plant's own words. One that a plant has revised is the plant's from then on. Never take one off these lists:
// signals may have been closed with it.
var (
	defaultCauses = []spc.Cause{
		{ID: "heat-all-moulds", Name: "Moulds or plunger run hot or cold, all together", LooksLike: "The radius of every mould drifts the same way over tens of minutes.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"all-streams"}, Changes: []string{"drift"}, Characteristics: []string{"radius_mm", "corner_sag_mm", "bow_um"}},
			Plan: []string{
				"Compare the last master panel check with the drift: when the master moved too, it is the gauge; begin that plan instead.",
				"Read mould and plunger temperatures and cooling air where they are shown, and note them with their times.",
				"Compare with the press's settings sheet: takt, gob temperature, air and water, and what was changed in the last two hours.",
				"Let whoever is responsible for the press set it right, within what the plant allows. Nobody reaches into the press, the plunger or the turning table: isolate and lock out by the plant's own procedure, authorised people only.",
				"Hold the panels at risk. Those in the lehr come as they are: measure each.",
				"Watch the cycle mean for two lehr times after the change before the signal is closed.",
			}},
		{ID: "mould-cooling", Name: "Cooling of one mould blocked or set wrong", LooksLike: "One mould steps or drifts, the rest hold.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"one-stream", "several-streams"}, Changes: []string{"step", "drift"}, Characteristics: []string{"radius_mm", "corner_sag_mm", "bow_um", "form_um", "max_deviation_um"}},
			Plan: []string{
				"Measure the next two panels of this mould and one of its neighbour again, to be sure which mould it is.",
				"Look at the mould's cooling air and water from outside the guards: valve position, pressure, flow, hoses.",
				"Ask what was done to this mould in the last shift: swabbing, cleaning, a change of nozzle.",
				"Let the mould shop set the cooling right. Only with the press isolated and locked out by the plant's own procedure, authorised people only; moulds and plunger burn.",
				"Hold this mould's panels since the earliest credible start, those in the lehr too.",
				"Close the signal when this mould stands with the others again, with the time from which the fix holds.",
			}},
		{ID: "mould-worn", Name: "Mould worn, damaged or changed", LooksLike: "One mould steps when it is changed, or creeps over days; the rest hold.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"one-stream"}, Changes: []string{"step", "drift"}, Characteristics: []string{"radius_mm", "form_um", "max_deviation_um", "contour_rms_um"}},
			Plan: []string{
				"Look up whether the mould was changed, and whether the change is entered; enter it if it is not.",
				"Compare the map of deviations before and after: a worn place shows as the same patch on every panel of this mould.",
				"Look at cold panels of this mould for marks at that place. Wear eye, hand and forearm protection: pressed edges cut and broken glass flies.",
				"Decide with the mould shop whether the mould stays until the next planned change. It is taken out by authorised people only, with the press isolated and locked out.",
				"Hold this mould's panels since the earliest credible start.",
				"After a change, let the chart set new limits for the new casting; do not carry the old ones over.",
			}},
		{ID: "plunger", Name: "Plunger changed, worn or off centre", LooksLike: "All moulds step together, often with a tilt or a one-sided shape that is the same on every mould.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"all-streams"}, Changes: []string{"step"}, Characteristics: []string{"radius_mm", "twofold_um", "cubic_1_um", "cubic_2_um", "cubic_3_um", "cubic_4_um", "max_deviation_um", "seat_x_mm", "seat_y_mm"}},
			Plan: []string{
				"Measure the master panel: a step on all moulds at once is the gauge's mark too.",
				"Look up whether the plunger was changed or set, and whether that is entered; enter it if it is not.",
				"Compare one panel of each of three moulds: the same one-sided shape on all speaks for the plunger.",
				"Tell the shift supervisor and whoever is responsible for the press. The plunger crushes and burns: nobody reaches in on the word of a chart; isolate and lock out by the plant's own procedure, authorised people only.",
				"Hold all panels of the press since the earliest credible start, those in the lehr too.",
				"Close the signal with the time from which the plunger stands right; the charts of the whole press start afresh from there.",
			}},
		{ID: "gob", Name: "Gob too heavy or light, or loaded off centre", LooksLike: "Form error rises and edges come out uneven, on all moulds or on those fed alike.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"all-streams", "several-streams"}, Changes: []string{"step", "drift", "spread"}, Characteristics: []string{"form_um", "rms_um", "contour_rms_um", "contour_pv_um", "max_deviation_um"}},
			Plan: []string{
				"Weigh three panels and compare with the weight on the product's sheet.",
				"Look at gob shape, temperature and where it lands, from where the plant allows it.",
				"Ask the feeder what was changed: shears, tube, plunger of the feeder, glass level.",
				"Let whoever is responsible for the feeder correct it. Hot glass: keep the distance that the plant prescribes.",
				"Look at the edges of the panels since the start by eye, with eye, hand and forearm protection, and hold those that are not even.",
				"Watch the form error for one lehr time after the change.",
			}},
		{ID: "lehr-belt", Name: "Lehr too hot or too cold: panels sag", LooksLike: "Radius and two-fold shape move on all lanes, one lehr time after the change.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"all-streams"}, Changes: []string{"step", "drift"}, Characteristics: []string{"radius_mm", "radius_x_mm", "radius_y_mm", "twofold_um", "bow4_um"}},
			Plan: []string{
				"Read the zones of the lehr and the belt speed, and compare with the settings sheet as they were one lehr time ago.",
				"Ask about stops: panels that stood in the lehr are another thing than panels that ran through.",
				"Let whoever is responsible for the lehr set it right. The zones burn: no hand, no tool goes in on the word of a chart.",
				"Hold the panels that were in the lehr then or later, whatever their mould.",
				"Watch for one lehr time: only what went in after the change can come out right.",
			}},
		{ID: "lehr-lane", Name: "One lane of the lehr uneven", LooksLike: "Radius and two-fold shape differ by lane, whatever the mould.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"one-lane", "several-streams"}, Changes: []string{"step", "drift"}, Characteristics: []string{"radius_mm", "radius_x_mm", "radius_y_mm", "twofold_um"}},
			Plan: []string{
				"Compare the lanes on the same moulds: when all moulds move on one lane alone, it is the lane.",
				"Look at the belt and at loading on this lane, from outside the guards.",
				"Read the burners or heaters over this lane and note them.",
				"Let whoever is responsible for the lehr set it right; lockout and protection by the plant's own procedure, authorised people only.",
				"Hold the panels that ran on this lane then or later.",
			}},
		{ID: "mould-twist", Name: "Mould twisted, or shell worn", LooksLike: "The twist of one mould creeps, over days rather than minutes.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"one-stream"}, Changes: []string{"drift", "step"}, Characteristics: []string{"twist_um", "twofold_um"}},
			Plan: []string{
				"Compare the twist of this mould's casting over the last weeks: creep or step.",
				"Measure two panels of this mould a second time after half a turn: what turns with the panel is glass.",
				"Look up when the shell was last dressed or changed.",
				"Plan with the mould shop when the mould is taken out and measured cold. It is taken out by authorised people only, with the press isolated and locked out.",
				"Hold this mould's panels that lie beyond the specification; a twist inside it is a matter for the next planned change.",
			}},
		{ID: "seating", Name: "Panel badly seated on the gauge", LooksLike: "Centre offset or tilt is large, but after the fit little is left: a chip under a pad, a panel put on askew.",
			Fits: spc.Fits{Kind: "gauge", Changes: []string{"step", "spread"}, Characteristics: []string{"seat_x_mm", "seat_y_mm"}},
			Plan: []string{
				"Lift the panel with two hands: it is heavy, its edges cut and it may still be hot. Wear eye, hand and forearm protection.",
				"Wipe the three pads and the seats on the panel; look for chips of glass.",
				"Seat the same panel again and measure it. Twice the same, and right: the seating was it.",
				"Measure the master panel. When it fails, begin the plan for the gauge.",
				"Measure again what was measured since the last good master check and lies near a limit.",
			}},
		{ID: "probe", Name: "Probe stuck, loose or drifting", LooksLike: "The same place has the same residual on every panel of every mould.",
			Fits: spc.Fits{Kind: "gauge", Extents: []string{"one-probe"}, Changes: []string{"step", "drift", "spread"}},
			Plan: []string{
				"Measure the master panel and look at this place: the same figure there settles it.",
				"Turn one panel by half a turn and measure it twice: what stays at the place is the probe, what turns is the glass.",
				"Clean the tip and move the probe by hand through its travel, with the gauge at rest.",
				"Let an engineer declare the probe faulty, with the time from which, or have it set or replaced by those who may.",
				"Measure the master panel after the repair before the next panel.",
				"Decide about the measurements since the last good master check.",
			}},
		{ID: "gauge-warm-up", Name: "Gauge not warmed up, or moved by temperature", LooksLike: "All panels shift together with the master panel, most in the first hour of a shift or after a door stood open.",
			Fits: spc.Fits{Kind: "gauge", Extents: []string{"whole-gauge", "all-streams"}, Changes: []string{"drift", "step"}},
			Plan: []string{
				"Measure the master panel twice, ten minutes apart, and compare.",
				"Read the temperature at the gauge and of the panels: a panel that is still hot measures wrong, and burns.",
				"Wait until the master panel repeats within what is allowed; measure nothing that decides until then.",
				"Enter the gauge service, if something was set.",
				"Decide about the measurements since the last good master check: they are doubtful until somebody decides.",
			}},
		{ID: "master", Name: "Master panel worn, dirty or damaged", LooksLike: "The master check shifts, but panels measured twice at another gauge do not.",
			Fits: spc.Fits{Kind: "gauge", Extents: []string{"whole-gauge"}, Changes: []string{"step", "drift"}, Characteristics: nil},
			Plan: []string{
				"Clean the master panel by the plant's procedure and measure it again. It is heavy and its edges cut: two hands, gloves.",
				"Measure the second master panel, where there is one: when that is right, it is the master and not the gauge.",
				"Look up the certificate: its date, and what it allows.",
				"Take a master that is in doubt out of use and send it to be certified.",
				"Decide about the measurements since the last good check.",
			}},
		{ID: "surface-defect", Name: "Defect of the surface at a point", LooksLike: "One large residual on one panel only: a blister, a tear, a check mark, glass on the tip.",
			Fits: spc.Fits{Kind: "glass", Extents: []string{"one-stream"}, Changes: []string{"step", "spread"}, Characteristics: []string{"max_deviation_um", "form_um"}},
			Plan: []string{
				"Look at the place on the panel under good light. Wear eye, hand and forearm protection: a cracked panel may fly apart.",
				"Wipe the place and the probe's tip, seat the panel again and measure it.",
				"Enter what is seen with the visual findings.",
				"Look at the neighbours of the same mould for the same mark: on several it is the mould, not the panel.",
				"Put the panel aside and decide about it.",
			}},
		{ID: "not-found", Name: "Cause not found", LooksLike: "Nothing that was looked at explains it.",
			Plan: []string{
				"Measure the master panel.",
				"Measure the last panel of the signal a second time.",
				"Look at the neighbours: other moulds, other lanes, the other gauge.",
				"Ask what was changed in the last two hours, and write it down even where it seems unlikely.",
				"Hold the panels at risk until it is decided about them.",
				"Close only after the chart has been steady for a shift, and say what was looked at.",
			}},
	}
	defaultActions = []spc.Action{
		{ID: "cooling", Name: "Cooling cleaned or set right"},
		{ID: "temperature", Name: "Mould, plunger or gob temperature set right"},
		{ID: "mould-changed", Name: "Mould changed"},
		{ID: "mould-repaired", Name: "Mould or shell dressed or repaired"},
		{ID: "plunger", Name: "Plunger set or changed"},
		{ID: "gob", Name: "Gob weight, shape or loading corrected"},
		{ID: "lehr", Name: "Lehr zones, belt or loading set right"},
		{ID: "seated-again", Name: "Pads cleaned, panel seated and measured again"},
		{ID: "probe", Name: "Probe set, replaced or declared faulty"},
		{ID: "gauge-service", Name: "Gauge serviced or let warm up"},
		{ID: "master", Name: "Master panel cleaned, changed or certified again"},
		{ID: "sorted", Name: "Panels sorted; nothing done to the process"},
		{ID: "watched", Name: "Nothing done: watched until steady"},
	}
)

// builtIn makes a definition that comes with the program look like any other, as revision 0.
func builtIn(kind, id string) (Revision, bool) {
	var v any
	switch kind {
	case KindCause:
		if i := slices.IndexFunc(defaultCauses, func(c spc.Cause) bool { return c.ID == id }); i >= 0 {
			v = defaultCauses[i]
		}
	case KindAction:
		if i := slices.IndexFunc(defaultActions, func(a spc.Action) bool { return a.ID == id }); i >= 0 {
			v = defaultActions[i]
		}
	}
	if v == nil {
		return Revision{}, false
	}
	body, err := json.Marshal(v)
	if err != nil {
		panic(err) // plain texts
	}
	return Revision{Kind: kind, ID: id, EffectiveFrom: time.Unix(0, 0).UTC(), Body: body, Reason: "as it comes with Sagwatch", By: "Sagwatch", At: time.Unix(0, 0).UTC()}, true
}

// BuiltIn lists the ids of a kind that come with the program, in the order in which they are offered.
func BuiltIn(kind string) (ids []string) {
	switch kind {
	case KindCause:
		for _, c := range defaultCauses {
			ids = append(ids, c.ID)
		}
	case KindAction:
		for _, a := range defaultActions {
			ids = append(ids, a.ID)
		}
	}
	return ids
}

// merged lists what comes with the program, each as the plant has it now, then what the plant added, by name.
func merged[T any](own map[string][]dated[T], builtIn []T, id, name func(*T) string) []*T {
	var out []*T
	seen := map[string]bool{}
	for i := range builtIn {
		v := &builtIn[i]
		seen[id(v)] = true
		if mine, _ := at(own, id(v), forever); mine != nil {
			v = mine
		}
		c := *v
		out = append(out, &c)
	}
	var added []*T
	for _, v := range latest(own) {
		if !seen[id(v)] {
			added = append(added, v)
		}
	}
	slices.SortStableFunc(added, func(a, b *T) int { return strings.Compare(name(a), name(b)) })
	return append(out, added...)
}

// Causes lists the latest revision of each cause, retired ones included, in the order in which they are offered.
func (c *Catalogue) Causes() []*spc.Cause {
	return merged(c.causes, defaultCauses, func(v *spc.Cause) string { return v.ID }, func(v *spc.Cause) string { return v.Name })
}

// Actions lists the latest revision of each action, retired ones included, in the order in which they are offered.
func (c *Catalogue) Actions() []*spc.Action {
	return merged(c.actions, defaultActions, func(v *spc.Action) string { return v.ID }, func(v *spc.Action) string { return v.Name })
}

// Cause finds the latest revision of a cause with its number; nil when there is none.
func (c *Catalogue) Cause(id string) (*spc.Cause, int) {
	if v, n := at(c.causes, id, forever); v != nil {
		return v, n
	}
	for _, v := range c.Causes() {
		if v.ID == id {
			return v, 0
		}
	}
	return nil, 0
}

// Action finds the latest revision of an action; nil when there is none.
func (c *Catalogue) Action(id string) *spc.Action {
	for _, v := range c.Actions() {
		if v.ID == id {
			return v
		}
	}
	return nil
}

// Own tells whether the plant itself has defined an object; false for one as it comes with the program.
func (c *Catalogue) Own(kind, id string) bool {
	r, ok := c.Latest(kind, id)
	return ok && r.Number > 0
}

// Finding is what is known of a signal when a cause is looked for. An empty member is not known.
type Finding struct {
	Kind, Extent, Change string // of spc.SignalKinds, SignalExtents, SignalChanges
	Characteristic       string
}

// Suggestion is a cause with how well it explains a finding.
type Suggestion struct {
	Cause *spc.Cause
	// Agrees lists what of the finding the cause explains: kind, extent, change, characteristic. Empty: it is on the list, and no more.
	Agrees []string
}

// Suggest puts the causes in use in the order in which they are worth looking at: those that agree with the finding in more
// and weightier points first (kind and extent before characteristic and change), those that contradict its kind or its extent
// after all others, without being suggested. Equal ones keep the order of the list.
func (c *Catalogue) Suggest(f Finding) []Suggestion {
	type ranked struct {
		Suggestion
		score int
	}
	var list []ranked
	for _, cause := range c.Causes() {
		if cause.Retired {
			continue
		}
		r := ranked{Suggestion: Suggestion{Cause: cause}}
		against := false
		look := func(name, found string, fits []string, weight int, decides bool) {
			switch {
			case len(fits) == 0 || found == "" || found == "undetermined":
			case slices.Contains(fits, found):
				r.Agrees, r.score = append(r.Agrees, name), r.score+weight
			default:
				r.score -= weight
				against = against || decides
			}
		}
		var kinds []string
		if cause.Fits.Kind != "" {
			kinds = []string{cause.Fits.Kind}
		}
		look("kind", f.Kind, kinds, 8, true)
		look("extent", f.Extent, cause.Fits.Extents, 8, true)
		look("characteristic", f.Characteristic, cause.Fits.Characteristics, 3, false)
		look("change", f.Change, cause.Fits.Changes, 2, false)
		if against || r.score <= 0 {
			r.Agrees = nil
		}
		if against {
			r.score -= 100
		}
		list = append(list, r)
	}
	slices.SortStableFunc(list, func(a, b ranked) int { return b.score - a.score })
	out := make([]Suggestion, len(list))
	for i := range list {
		out[i] = list[i].Suggestion
	}
	return out
}
