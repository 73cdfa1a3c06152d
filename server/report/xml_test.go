package report_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/server/report"
)

// element is a parsed XML element.
type element struct {
	name     string
	attr     map[string]string
	text     string
	children []*element
}

func parse(b []byte) (*element, error) {
	dec := xml.NewDecoder(bytes.NewReader(b))
	root := &element{}
	open := []*element{root}
	for {
		t, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		top := open[len(open)-1]
		switch x := t.(type) {
		case xml.StartElement:
			if x.Name.Space != "http://qifstandards.org/xsd/qif3" {
				return nil, fmt.Errorf("<%s> is in the namespace %q", x.Name.Local, x.Name.Space)
			}
			e := &element{name: x.Name.Local, attr: map[string]string{}}
			for _, a := range x.Attr {
				e.attr[a.Name.Local] = a.Value
			}
			top.children = append(top.children, e)
			open = append(open, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			top.text += string(x)
		}
	}
	if len(root.children) != 1 {
		return nil, errors.New("not one root")
	}
	return root.children[0], nil
}

func (e *element) child(name string) *element {
	for _, c := range e.children {
		if c.name == name {
			return c
		}
	}
	return nil
}

func (e *element) each(f func(*element)) {
	f(e)
	for _, c := range e.children {
		c.each(f)
	}
}

// order of the elements inside one another as far as it is stated here (from memory of ISO 23952:2020; the schema was not at hand).
var order = map[string][]string{
	"QIFDocument":        {"QPId", "Header", "FileUnits", "Characteristics", "Results"},
	"Characteristics":    {"CharacteristicDefinitions", "CharacteristicNominals", "CharacteristicItems"},
	"MeasurementResults": {"Attributes", "MeasuredCharacteristics"},
	"Tolerance":          {"MaxValue", "MinValue", "DefinedAsLimit"},
}

var uuid = regexp.MustCompile(`^[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`)

// structure checks what can be stated of the schema's rules without the schema: it is not a validation against it.
func structure(b []byte) error {
	root, err := parse(b)
	if err != nil {
		return err
	}
	if root.name != "QIFDocument" || root.attr["versionQIF"] != "3.0.0" {
		return fmt.Errorf("the root is %s of version %q", root.name, root.attr["versionQIF"])
	}
	idMax, err := strconv.Atoi(root.attr["idMax"])
	if err != nil {
		return fmt.Errorf("idMax: %w", err)
	}
	if id := root.child("QPId"); id == nil || !uuid.MatchString(id.text) {
		return errors.New("QPId is no UUID of version 8")
	}
	ids := map[string]string{}
	var found error
	fail := func(format string, a ...any) {
		if found == nil {
			found = fmt.Errorf(format, a...)
		}
	}
	root.each(func(e *element) {
		if id, ok := e.attr["id"]; ok {
			if n, err := strconv.Atoi(id); err != nil || n < 1 || n > idMax || strconv.Itoa(n) != id {
				fail("<%s id=%q> with idMax %d", e.name, id, idMax)
			}
			if was, ok := ids[id]; ok {
				fail("id %s of %s and of %s", id, was, e.name)
			}
			ids[id] = e.name
		}
		if n, ok := e.attr["n"]; ok && n != strconv.Itoa(len(e.children)) {
			fail("<%s n=%q> has %d members", e.name, n, len(e.children))
		}
		if want := order[e.name]; want != nil {
			last := -1
			for _, c := range e.children {
				i := slices.Index(want, c.name)
				if i <= last {
					fail("<%s> in <%s> is unknown, twice or out of order", c.name, e.name)
				}
				last = i
			}
		}
		if lower, upper := e.child("MinValue"), e.child("MaxValue"); lower != nil && upper != nil {
			l, err1 := strconv.ParseFloat(lower.text, 64)
			u, err2 := strconv.ParseFloat(upper.text, 64)
			if err1 != nil || err2 != nil || l > u {
				fail("tolerance from %s to %s", lower.text, upper.text)
			}
		}
	})
	// References lead to an element of their kind, of the same family: SphericalRadiusCharacteristicItem to ...Nominal to ...Definition.
	root.each(func(e *element) {
		for ref, to := range map[string]string{"CharacteristicDefinitionId": "Definition", "CharacteristicNominalId": "Nominal", "CharacteristicItemId": "Item"} {
			r := e.child(ref)
			if r == nil {
				continue
			}
			family, _, _ := strings.Cut(e.name, "Characteristic")
			if ids[r.text] != family+"Characteristic"+to {
				fail("<%s> in <%s> leads to %q", ref, e.name, ids[r.text])
			}
		}
		for suffix, ref := range map[string]string{"CharacteristicNominal": "CharacteristicDefinitionId", "CharacteristicItem": "CharacteristicNominalId", "CharacteristicMeasurement": "CharacteristicItemId"} {
			if strings.HasSuffix(e.name, suffix) && e.child(ref) == nil {
				fail("<%s> refers to nothing", e.name)
			}
		}
	})
	return found
}

func exchanged() *report.Document {
	d := invented()
	d.Origin.InputsDigest = [32]byte{0xfe, 1, 2, 3, 4, 5, 0xff, 7, 0xff, 9, 10, 11, 12, 13, 14, 15}
	d.Results = []report.Result{
		{Characteristic: "radius_mm", Unit: "mm", Nominal: 1107.5, Lower: 1101.5, Upper: 1113.5, Mean: 1107.4200000000003, SD: .52, Count: 11088, Within: "pass"},
		{Characteristic: "largest deviation <from> the contour & more", Unit: "um", Nominal: report.None, Lower: report.None, Upper: 381, Mean: 97.3, SD: 33.1, Count: 11088, Within: "fail"},
		{Characteristic: "width", Unit: "mm", Nominal: 512, Lower: 510.984, Upper: 513.016, Mean: report.None, SD: report.None, Count: 0, Within: "undecided"},
		{Characteristic: "blisters", Unit: "1", Mean: 2, Count: 5, Within: "pass", Nominal: report.None, Lower: report.None, Upper: report.None, SD: report.None},
	}
	return d
}

func TestXML(t *testing.T) {
	t.Parallel()
	b, err := exchanged().XML()
	require.NoError(t, err)
	again, err := exchanged().XML()
	require.NoError(t, err)
	require.True(t, bytes.Equal(b, again), "the same document gives the same bytes")
	require.NoError(t, structure(b))
	require.Contains(t, string(b), "was not validated against them")
	require.Contains(t, string(b), "Left out, since they are no lengths: blisters.")
	root, err := parse(b)
	require.NoError(t, err)
	require.Equal(t, "fe010203-0405-8f07-bf09-0a0b0c0d0e0f", root.child("QPId").text)
	// Read back, the values are those of the report, in mm.
	var got []string
	root.each(func(e *element) {
		if strings.HasSuffix(e.name, "Measurement") {
			v, status := "none", e.child("Status").children[0]
			if x := e.child("Value"); x != nil {
				v = x.text
			}
			verdict := ""
			for _, a := range e.child("Attributes").children {
				if a.attr["name"] == "IndexWanted" {
					verdict = a.attr["value"]
				}
			}
			got = append(got, e.name+" "+v+" "+status.name+" "+status.text+" "+verdict)
		}
	})
	require.Equal(t, []string{"SphericalRadiusCharacteristicMeasurement 1107.4200000000003 OtherCharacteristicStatus not analysed met",
		"UserDefinedLinearCharacteristicMeasurement 0.0973 OtherCharacteristicStatus not analysed not met", "UserDefinedLinearCharacteristicMeasurement none OtherCharacteristicStatus not analysed undecided"}, got)
	defs := root.child("Characteristics").child("CharacteristicDefinitions").children
	require.Equal(t, "largest deviation <from> the contour & more", defs[1].child("Name").text)
	require.Equal(t, "0.381", defs[1].child("Tolerance").child("MaxValue").text)
	require.Nil(t, defs[1].child("Tolerance").child("MinValue"))
	require.Equal(t, "1101.5", defs[0].child("Tolerance").child("MinValue").text)

	d := invented()
	_, err = d.XML()
	require.ErrorIs(t, err, report.ErrNoResults)
}

// The structure's check finds what is wrong: a check that cannot fail is none.
func TestXMLStructureIsChecked(t *testing.T) {
	t.Parallel()
	b, err := exchanged().XML()
	require.NoError(t, err)
	for name, change := range map[string][2]string{
		"an id twice":           {`<SphericalRadiusCharacteristicItem id="7">`, `<SphericalRadiusCharacteristicItem id="1">`},
		"an id above idMax":     {`idMax="13"`, `idMax="12"`},
		"a lost reference":      {"<CharacteristicNominalId>4</CharacteristicNominalId>", "<CharacteristicNominalId>99</CharacteristicNominalId>"},
		"a reference elsewhere": {"<CharacteristicItemId>7</CharacteristicItemId>", "<CharacteristicItemId>8</CharacteristicItemId>"},
		"no reference":          {"<CharacteristicItemId>7</CharacteristicItemId>", ""},
		"a wrong count":         {`CharacteristicItems n="3"`, `CharacteristicItems n="4"`},
		"no UUID":               {"<QPId>fe", "<QPId>xx"},
		"another namespace":     {"xsd/qif3", "xsd/qif2"},
		"out of order":          {"Header>", "FileUnits>"},
		"turned tolerance":      {"<MinValue>1101.5</MinValue>", "<MinValue>1201.5</MinValue>"},
	} {
		broken := strings.ReplaceAll(string(b), change[0], change[1])
		require.NotEqual(t, string(b), broken, name)
		require.Error(t, structure([]byte(broken)), name)
	}
}

// Lengths in µm become mm by moving the point, not by a second rounding: for any finite value the text is the double nearest to it.
func FuzzXMLLengths(f *testing.F) {
	for _, v := range []float64{97.3, 381, 0.1, -0.0003, 1e-300, 1e300, 5e-324, 0} {
		f.Add(v)
	}
	f.Fuzz(func(t *testing.T, v float64) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Skip()
		}
		d := invented()
		d.Results = []report.Result{{Characteristic: "x", Unit: "um", Nominal: report.None, Lower: report.None, Upper: report.None, Mean: report.Number(v), SD: report.None}}
		b, err := d.XML()
		require.NoError(t, err)
		require.NoError(t, structure(b))
		root, err := parse(b)
		require.NoError(t, err)
		root.each(func(e *element) {
			if e.name == "Value" {
				got, err := strconv.ParseFloat(e.text, 64)
				require.NoError(t, err)
				require.InDelta(t, v/1000, got, math.Abs(v)*1e-18+5e-324)
			}
		})
	})
}
