package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"sagwatch/server/plant"
	"sagwatch/spc"
)

// XMLNotValidated says what of the exchange file was not validated. It stands in every file.
const XMLNotValidated = "Written after ISO 23952:2020 (QIF 3.0) from memory of its structure. The official schema files were not at hand: the file was not validated against them. " +
	"Checked by the project's own tests: well-formed XML; ids unique, whole numbers, none above idMax; every reference leads to an element of its kind; counts n equal to the number of members; the order of the elements as written here. " +
	"Not checked: names and order of elements against the schema, required elements that are missing here, enumerations of statuses and units, the types of the user-defined characteristics."

// ErrNoResults: a report without judged characteristics has nothing to exchange.
var ErrNoResults = errors.New("this report has no judged characteristics to exchange")

// XML writes the judged characteristics as a results file by the open standard ISO 23952 (QIF): definitions with their tolerances, nominals,
// items, and one set of measurement results that refers to them. Lengths are in mm. What is stated of a characteristic is the mean of
// all panels of the period, which its attributes say beside the count and the standard deviation. No piece is judged here, so the status,
// which readers take for the conformance of a piece, is "not analysed"; whether the index that was wanted is met is an attribute of its own. Characteristics that are no lengths are left out, and named in a comment. The same document gives the same bytes.
func (d *Document) XML() ([]byte, error) {
	var kept []Result
	var left []string
	for _, r := range d.Results {
		if r.Unit == "mm" || r.Unit == "um" {
			kept = append(kept, r)
		} else {
			left = append(left, plant.Characteristic(r.Characteristic))
		}
	}
	if len(kept) == 0 {
		return nil, ErrNoResults
	}
	w := &exchange{}
	w.WriteString(xml.Header)
	w.comment(XMLNotValidated)
	if len(left) > 0 {
		w.comment("Left out, since they are no lengths: " + strings.Join(left, ", ") + ".")
	}
	n := len(kept)
	const each = 4 // definition, nominal, item, measurement
	results := each*n + 1
	w.open(`QIFDocument xmlns="http://qifstandards.org/xsd/qif3" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" versionQIF="3.0.0"` + fmt.Sprintf(" idMax=%q", strconv.Itoa(results)))
	w.leaf("QPId", documentUUID(d.Origin.InputsDigest))
	w.open("Header")
	w.leaf("Description", d.Title+". "+d.Statement+" "+XMLNotValidated)
	w.open("Author")
	w.leaf("Name", d.Origin.IssuedBy)
	w.leaf("Organization", first(d.Origin.Plant, d.Origin.Site))
	w.end()
	w.open("Application")
	w.leaf("Name", "Sagwatch "+d.Origin.Version)
	w.leaf("Organization", "Sagwatch")
	w.end()
	w.end()
	w.open("FileUnits")
	w.open("PrimaryUnits")
	w.open("LinearUnit")
	w.leaf("SIUnitName", "meter")
	w.leaf("UnitName", "mm")
	w.open("UnitConversion")
	w.leaf("Factor", "0.001")
	w.end()
	w.end()
	w.end()
	w.end()

	w.open("Characteristics")
	w.open(counted("CharacteristicDefinitions", n))
	for i := range kept {
		r := &kept[i]
		w.open(withID(r.kind()+"CharacteristicDefinition", i+1))
		w.leaf("Name", plant.Characteristic(r.Characteristic))
		if r.Lower.Has() || r.Upper.Has() {
			w.open("Tolerance")
			if r.Upper.Has() {
				w.leaf("MaxValue", r.mm(r.Upper))
			}
			if r.Lower.Has() {
				w.leaf("MinValue", r.mm(r.Lower))
			}
			w.leaf("DefinedAsLimit", "true")
			w.end()
		} else {
			w.open("NonTolerance")
			w.end()
		}
		if r.kind() == userLinear {
			w.leaf("WhatToMeasure", plant.Characteristic(r.Characteristic))
		}
		w.end()
	}
	w.end()
	w.open(counted("CharacteristicNominals", n))
	for i := range kept {
		r := &kept[i]
		w.open(withID(r.kind()+"CharacteristicNominal", n+i+1))
		w.leaf("CharacteristicDefinitionId", strconv.Itoa(i+1))
		w.leaf("Name", plant.Characteristic(r.Characteristic))
		if r.Nominal.Has() {
			w.leaf("TargetValue", r.mm(r.Nominal))
		}
		w.end()
	}
	w.end()
	w.open(counted("CharacteristicItems", n))
	for i := range kept {
		r := &kept[i]
		w.open(withID(r.kind()+"CharacteristicItem", 2*n+i+1))
		w.leaf("Name", plant.Characteristic(r.Characteristic))
		w.leaf("CharacteristicNominalId", strconv.Itoa(n+i+1))
		w.end()
	}
	w.end()
	w.end()

	w.open("Results")
	w.open(counted("MeasurementResultsSet", 1))
	w.open(withID("MeasurementResults", results))
	w.open(`Attributes n="2"`)
	w.empty(`AttributeStr name="PeriodFrom" value=` + quoted(d.Origin.From.UTC().Format(time.RFC3339)))
	w.empty(`AttributeStr name="PeriodTo" value=` + quoted(d.Origin.To.UTC().Format(time.RFC3339)))
	w.end()
	w.open("MeasuredCharacteristics")
	w.open(counted("CharacteristicMeasurements", n))
	for i := range kept {
		r := &kept[i]
		w.open(withID(r.kind()+"CharacteristicMeasurement", 3*n+i+1))
		attributes := []string{`AttributeStr name="Statistic" value="mean"`, `AttributeStr name="Count" value=` + quoted(strconv.FormatInt(r.Count, 10))}
		if r.SD.Has() {
			attributes = append(attributes, `AttributeStr name="StandardDeviation" value=`+quoted(r.mm(r.SD)))
		}
		if verdict, ok := indexVerdicts[r.Within]; ok {
			attributes = append(attributes, `AttributeStr name="IndexWanted" value=`+quoted(verdict))
		}
		w.open(counted("Attributes", len(attributes)))
		for _, a := range attributes {
			w.empty(a)
		}
		w.end()
		w.open("Status")
		w.leaf("OtherCharacteristicStatus", "not analysed")
		w.end()
		w.leaf("CharacteristicItemId", strconv.Itoa(2*n+i+1))
		if r.Mean.Has() {
			w.leaf("Value", r.mm(r.Mean))
		}
		w.end()
	}
	for len(w.opened) > 0 {
		w.end()
	}
	return w.Bytes(), nil
}

// indexVerdicts say whether the index that was wanted is met.
var indexVerdicts = map[string]string{"pass": "met", "fail": "not met", "undecided": "undecided"}

// Kinds of characteristics: the radius of a sphere has one of its own; other lengths are user-defined ones.
const (
	sphericalRadius = "SphericalRadius"
	userLinear      = "UserDefinedLinear"
)

func (r *Result) kind() string {
	if r.Characteristic == spc.RadiusMM.String() {
		return sphericalRadius
	}
	return userLinear
}

// mm writes a length in mm, moving the decimal point of one in µm without rounding twice.
func (r *Result) mm(v Number) string {
	x := float64(v)
	if r.Unit == "um" {
		mantissa, exponent, _ := strings.Cut(strconv.FormatFloat(x, 'e', -1, 64), "e")
		if e, err := strconv.Atoi(exponent); err == nil {
			if moved, err := strconv.ParseFloat(mantissa+"e"+strconv.Itoa(e-3), 64); err == nil {
				x = moved
			}
		}
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// documentUUID is a UUID of version 8 (RFC 9562) made of the first bytes of the digest of the inputs.
func documentUUID(digest [32]byte) string {
	b := digest[:16]
	u := [16]byte(b)
	u[6] = u[6]&0x0f | 0x80
	u[8] = u[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", u[:4], u[4:6], u[6:8], u[8:10], u[10:])
}

func first(words ...string) string {
	for _, w := range words {
		if w != "" {
			return w
		}
	}
	return ""
}

// exchange writes indented XML whose elements without text nest.
type exchange struct {
	bytes.Buffer
	opened []string
}

func counted(name string, n int) string { return fmt.Sprintf(`%s n="%d"`, name, n) }
func withID(name string, id int) string { return fmt.Sprintf(`%s id="%d"`, name, id) }

func (w *exchange) line(s string) {
	w.WriteString(strings.Repeat("  ", len(w.opened)) + s + "\n")
}

// open begins an element; tag is its name with its attributes.
func (w *exchange) open(tag string) {
	w.line("<" + tag + ">")
	name, _, _ := strings.Cut(tag, " ")
	w.opened = append(w.opened, name)
}

func (w *exchange) end() {
	name := w.opened[len(w.opened)-1]
	w.opened = w.opened[:len(w.opened)-1]
	w.line("</" + name + ">")
}

func (w *exchange) empty(tag string) { w.line("<" + tag + "/>") }

func (w *exchange) leaf(name, text string) {
	w.line("<" + name + ">" + escaped(text) + "</" + name + ">")
}

// comment writes one in which no two hyphens meet.
func (w *exchange) comment(text string) {
	w.line("<!-- " + strings.ReplaceAll(text, "--", "- -") + " -->")
}

func quoted(text string) string { return `"` + escaped(text) + `"` }

func escaped(text string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(text)) // a buffer takes all
	return b.String()
}
