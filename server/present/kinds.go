package present

import (
	"math"

	"sagwatch/spc"
	"sagwatch/spc/monitor"
	"sagwatch/web/ui"
)

// kindText is how a kind of chart is spoken of.
type kindText struct {
	list  string // in a list of charts: "cycle means"
	of    string // before the characteristic: "mean "
	after string // after the characteristic, in a chart's name: ", mean of each cycle"
}

var kindTexts = map[spc.ChartKind]kindText{
	spc.Individuals:   {list: "single values"},
	spc.CycleMean:     {"cycle means", "mean ", ", mean of each cycle"},
	spc.CycleSpread:   {"cycle spreads", "scatter of ", ", scatter inside each cycle"},
	spc.MeanRange:     {"means and ranges", "mean ", ", mean and range of subgroups"},
	spc.MeanSD:        {"means and standard deviations", "mean ", ", mean and standard deviation of subgroups"},
	spc.MedianRange:   {"medians and ranges", "median ", ", median and range of subgroups"},
	spc.BetweenWithin: {"between and within subgroups", "mean ", ", between and within subgroups"},
	spc.Group:         {"each mould against its cycle", "deviation from its cycle of ", ", each mould against its cycle"},
	spc.EWMAChart:     {"moving averages", "moving average of ", ", moving average"},
	spc.CUSUMChart:    {"cumulative sums", "cumulative sum of ", ", cumulative sum"},
	spc.TSquared:      {"all shape terms together", "T² of the ", ", all terms together"},
	spc.MEWMA:         {"moving averages of all shape terms", "T² of the moving average of the ", ", moving average of all terms together"},
	spc.PChart:        {"shares rejected", "share rejected for ", ", share rejected"},
	spc.NPChart:       {"numbers rejected", "number rejected for ", ", number rejected"},
	spc.CChart:        {"counts of defects", "count of ", ", count of defects"},
	spc.UChart:        {"defects a unit", "defects a unit of ", ", defects a unit"},
	spc.IntervalChart: {"intervals between rejects", "interval between rejects for ", ", interval between rejects"},
	spc.ChangePoint:   {"steps of unknown size", "likelihood of a step in ", ", steps of unknown size"},
}

// QuantityOfChart is how the plotted values of a chart are written.
func QuantityOfChart(c spc.Chart, p *spc.Product, lengths ui.Lengths) Quantity {
	q := QuantityOf(c.Characteristic, p, lengths)
	switch c.Kind {
	case spc.CycleSpread:
		q.Sign = false
		q.Decimals++
	case spc.Group:
		q.Sign = true
	case spc.EWMAChart:
		q.Decimals++
	case spc.CUSUMChart, spc.ChangePoint:
		q.Unit, q.Factor, q.Decimals, q.Sign = "sd", 1, 2, true
	case spc.PChart:
		q = Quantity{Name: c.Characteristic, Unit: "%", Factor: 100, Decimals: 2}
	case spc.UChart:
		q = Quantity{Name: c.Characteristic, Factor: 1, Decimals: 3}
	case spc.NPChart, spc.CChart, spc.IntervalChart:
		q = Quantity{Name: c.Characteristic, Factor: 1, Decimals: 1, Whole: true}
	case spc.TSquared, spc.MEWMA:
		q = Quantity{Name: "shape", Factor: 1, Decimals: 1}
	}
	return q
}

// amountOf writes a plotted value of a chart.
func amountOf(c spc.Chart, v, sigma float64, in ui.Lengths) string {
	if q := QuantityOfChart(c, nil, in); c.Kind.OfCounts() || q.Unit != ui.UnitName(CharacteristicUnit(c.Characteristic)) && q.Unit != "in" {
		return q.Text(v)
	}
	return Amount(v, c.Characteristic, sigma, in)
}

// overTime is true of charts whose plotted value rests on all points since the start.
func overTime(k spc.ChartKind) bool {
	return k == spc.EWMAChart || k == spc.CUSUMChart || k == spc.ChangePoint
}

// ofSubgroups is true of charts of so many panels at a time.
func ofSubgroups(k spc.ChartKind) bool {
	return k == spc.MeanRange || k == spc.MeanSD || k == spc.MedianRange || k == spc.BetweenWithin
}

// allTerms is true of charts of several terms at once.
func allTerms(k spc.ChartKind) bool { return k == spc.TSquared || k == spc.MEWMA }

// sizeWords say how many were inspected, or units, for a point of counts: " of 50 inspected".
func sizeWords(c spc.Chart, n int) string {
	switch c.Kind {
	case spc.PChart, spc.NPChart:
		return " of " + ui.Count(int64(n)) + " inspected"
	case spc.CChart, spc.UChart:
		return " on " + ui.Plural(int64(n), "unit", "units")
	}
	return ""
}

// nearly tells limits that come nearer to those they settle at from point to point, so little that a drawing shows no step.
func nearly(a, b spc.Limits) bool {
	if a.HasLower != b.HasLower || a.HasUpper != b.HasUpper || a.HasCentre != b.HasCentre || a.Centre != b.Centre {
		return false
	}
	width := math.Max(b.Upper-b.Centre, b.Centre-b.Lower)
	return math.Abs(a.Upper-b.Upper) <= 0.01*width && math.Abs(a.Lower-b.Lower) <= 0.01*width
}

// begins is true of the first point that limits judge.
func begins(b band, log []monitor.LimitsInForce) bool {
	for i := range log {
		if log[i].From.Equal(b.from) {
			return true
		}
	}
	return false
}
