package present

import (
	"fmt"
	"strconv"
	"strings"

	"sagwatch/server/verify"
	"sagwatch/spc/proof"
	"sagwatch/web/page"
	"sagwatch/web/ui"
)

// Numbers makes the page "Where the numbers come from" from the table of the release.
func Numbers(frame ui.Frame, t *proof.Table, version string) page.Numbers {
	counted, failed := t.Counted(), len(t.Failed())
	say := fmt.Sprintf("%d checks of the statistics against published values and general libraries: all agree.", counted)
	if failed > 0 {
		say = fmt.Sprintf("%d of %d checks of the statistics do not agree with their source: do not decide by this build.", failed, counted)
	}
	m := page.Numbers{Frame: frame, Statement: ui.Statement{
		Where: []ui.Run{{Text: "Set-up", Href: "/setup"}, {Text: "Where the numbers come from"}},
		Say:   ui.Say(say),
		Doubts: []ui.Sentence{ui.Say(fmt.Sprintf("Made when this release (%s) was built, from %d files of published values. The command sagwatch verify makes the same table anew on this machine.",
			version, len(t.Files)))},
		Acts: []ui.Act{{Text: "Save as CSV", Href: "/setup/numbers.csv"}}},
		Reading: []ui.Sentence{
			ui.Say("Expected is the source's value. “Published” was read in the source or in a public copy of it. “Computed by” names the general library that worked the value out from published data or a published formula. A value that is only remembered is shown and proves nothing."),
			ui.Say("Digits is the number of significant digits in which the computed value agrees with the expected one, 15 at most; a published value of three digits can agree in no more than about three.")},
	}
	for _, section := range proof.Sections {
		s := page.NumbersSection{ID: anchorOf(string(section)), Table: ui.Table{Label: string(section), Fold: true, Wrap: true,
			Cols: []ui.Col{{Head: "What, and its source"}, {Head: "Expected", Right: true}, {Head: "Computed", Right: true}, {Head: "Digits", Right: true}, {Head: "Outcome"}}}}
		var counts, agree, shown, values int64
		for i := range t.Checks {
			c := &t.Checks[i]
			if c.Section != section {
				continue
			}
			values += int64(max(1, c.Of))
			switch {
			case !c.Counts():
				shown++
			case c.Pass:
				counts, agree = counts+1, agree+1
			default:
				counts++
			}
			s.Table.Rows = append(s.Table.Rows, checkRow(c))
		}
		if len(s.Table.Rows) == 0 {
			continue
		}
		s.Name, s.Says = string(section), ui.Count(counts)+" checks on "+ui.Count(values)+" values, all agree"
		if agree < counts {
			s.Says, s.Open = fmt.Sprintf("%s of %s do not agree", ui.Count(counts-agree), ui.Plural(counts, "check", "checks")), true
		}
		if shown > 0 {
			s.Says += "; " + ui.Count(shown) + " shown only"
		}
		m.Sections = append(m.Sections, s)
	}
	return m
}

func checkRow(c *proof.Check) ui.Row {
	source := c.Source + ": " + verify.How(c)
	if c.Note != "" {
		source += ". " + c.Note
	}
	state := ui.Is(ui.Good, "agrees")
	value := shortened(c.Value)
	switch verify.Outcome(c) {
	case "FAIL":
		state = ui.Is(ui.Bad, "does not agree")
	case "shown":
		state = ui.Is(ui.None, "shown only")
	}
	if c.Trouble != "" {
		value = c.Trouble
	}
	return ui.Row{Mark: state.Kind == ui.Bad, Cells: []ui.Cell{{Text: verify.What(c), Note: source}, ui.Text(shortened(c.Expected)), ui.Text(value), ui.Text(strconv.FormatFloat(c.Digits, 'f', 1, 64)), {State: state}}}
}

// shortened shortens a number of fifteen digits to ten: the agreement stands in its own column, the whole in the CSV file.
func shortened(s string) string {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return s
	}
	return strings.Replace(strconv.FormatFloat(v, 'g', 10, 64), "-", ui.Minus, 1)
}
