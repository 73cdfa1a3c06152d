package report

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// CSV writes every sheet, the figures among them, as one CSV file each into a ZIP archive: full precision, times in UTC, the unit
// in the head after a comma. The same document gives the same bytes.
func (d *Document) CSV() ([]byte, error) {
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	figures := d.figures()
	figures.Name = "Figures"
	about := d.about()
	about.Name = "Report"
	for _, s := range append([]Sheet{about, figures}, d.Sheets...) {
		h := &zip.FileHeader{Name: fileName(s.Name) + ".csv", Method: zip.Deflate, Modified: d.Origin.IssuedAt.UTC()}
		f, err := z.CreateHeader(h)
		if err != nil {
			return nil, fmt.Errorf("CSV of %q: %w", d.Title, err)
		}
		w := csv.NewWriter(f)
		line := make([]string, len(s.Cols))
		for i, c := range s.Cols {
			line[i] = c.Head
			if c.Unit != "" {
				line[i] += ", " + c.Unit
			}
		}
		if err := w.Write(line); err != nil {
			return nil, fmt.Errorf("CSV of %q: %w", d.Title, err)
		}
		for _, r := range s.Rows {
			line = line[:0]
			for _, v := range r {
				line = append(line, plain(v))
			}
			if err := w.Write(line); err != nil {
				return nil, fmt.Errorf("CSV of %q: %w", d.Title, err)
			}
		}
		if w.Flush(); w.Error() != nil {
			return nil, fmt.Errorf("CSV of %q: %w", d.Title, w.Error())
		}
	}
	if err := z.Close(); err != nil {
		return nil, fmt.Errorf("CSV of %q: %w", d.Title, err)
	}
	return out.Bytes(), nil
}

// fileName is a sheet's name as a file's.
func fileName(sheet string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '.' {
			return r
		}
		return '-'
	}, strings.ToLower(sheet))
}

// plain writes a value without loss; no number is empty.
func plain(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case string:
		return x
	case Number:
		return plain(float64(x))
	case float64:
		if math.IsNaN(x) {
			return ""
		}
		return strconv.FormatFloat(x, 'g', -1, 64)
	case int64:
		return strconv.FormatInt(x, 10)
	case int:
		return strconv.Itoa(x)
	case time.Time:
		return x.UTC().Format(time.RFC3339Nano)
	}
	return fmt.Sprint(v)
}

// jsonDocument is a report for machines.
type jsonDocument struct {
	Kind      string       `json:"kind"`
	Title     string       `json:"title"`
	Statement string       `json:"statement"`
	Doubts    []string     `json:"doubts"`
	Cautions  []string     `json:"cautions"`
	Origin    jsonOrigin   `json:"origin"`
	Figures   []jsonFigure `json:"figures"`
	Sheets    []jsonSheet  `json:"sheets"`
}

type jsonOrigin struct {
	Site         string    `json:"site"`
	Press        string    `json:"press,omitempty"`
	Product      string    `json:"product,omitempty"`
	IssuedBy     string    `json:"issued_by"`
	IssuedAt     time.Time `json:"issued_at"`
	From         time.Time `json:"from,omitzero"`
	To           time.Time `json:"to,omitzero"`
	Data         string    `json:"data"`
	Definitions  []string  `json:"definitions"`
	Version      string    `json:"version"`
	InputsDigest string    `json:"inputs_digest"`
}

type jsonFigure struct {
	ID      string  `json:"id"`
	Name    string  `json:"name"`
	Of      string  `json:"of,omitempty"`
	Unit    string  `json:"unit"`
	Value   Number  `json:"value"`
	Lower   Number  `json:"lower"`
	Upper   Number  `json:"upper"`
	Level   float64 `json:"level,omitempty"`
	Method  string  `json:"interval_method,omitempty"`
	Formula string  `json:"formula,omitempty"`
	Inputs  string  `json:"inputs,omitempty"`
	Source  string  `json:"source,omitempty"`
	Missing string  `json:"missing,omitempty"`
}

type jsonSheet struct {
	Name    string       `json:"name"`
	Says    string       `json:"says,omitempty"`
	Columns []jsonColumn `json:"columns"`
	Rows    [][]any      `json:"rows"`
}

type jsonColumn struct {
	Name string `json:"name"`
	Unit string `json:"unit,omitempty"`
}

// JSON writes the report with full precision; no number is null.
func (d *Document) JSON() ([]byte, error) {
	o := &d.Origin
	out := jsonDocument{Kind: d.Kind, Title: d.Title, Statement: d.Statement, Doubts: orEmpty(d.Doubts), Cautions: orEmpty(d.Cautions),
		Origin: jsonOrigin{Site: o.Site, Press: o.Press, Product: o.Product, IssuedBy: o.IssuedBy, IssuedAt: o.IssuedAt.UTC(), From: o.From.UTC(), To: o.To.UTC(), Data: o.Data,
			Definitions: orEmpty(o.Definitions), Version: o.Version, InputsDigest: hex.EncodeToString(o.InputsDigest[:])},
		Figures: []jsonFigure{}, Sheets: []jsonSheet{}}
	for i := range d.Figures {
		f := &d.Figures[i]
		out.Figures = append(out.Figures, jsonFigure{f.ID, f.Name, f.Of, f.Unit, f.Value, f.Lower, f.Upper, f.Level, f.Method, f.Formula, f.Inputs, f.Source, f.Missing})
	}
	for _, s := range d.Sheets {
		j := jsonSheet{Name: s.Name, Says: s.Says, Rows: make([][]any, len(s.Rows))}
		for _, c := range s.Cols {
			j.Columns = append(j.Columns, jsonColumn{c.Head, c.Unit})
		}
		for i, r := range s.Rows {
			j.Rows[i] = make([]any, len(r))
			for k, v := range r {
				switch x := v.(type) {
				case float64:
					j.Rows[i][k] = Number(x)
				case time.Time:
					j.Rows[i][k] = x.UTC()
				default:
					j.Rows[i][k] = v
				}
			}
		}
		out.Sheets = append(out.Sheets, j)
	}
	b, err := json.MarshalIndent(out, "", " ")
	if err != nil {
		return nil, fmt.Errorf("JSON of %q: %w", d.Title, err)
	}
	return append(b, '\n'), nil
}

func orEmpty(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}
