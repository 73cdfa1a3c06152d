package report_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"sagwatch/server/report"
)

// valued is a document with a sheet of awkward values.
func valued() *report.Document {
	d := invented()
	d.Sheets = []report.Sheet{{Name: "By mould", Says: "One row a mould.", Cols: []report.SheetCol{{Head: "Mould"}, {Head: "Mean", Unit: "mm"}, {Head: "Panels"}, {Head: "At"}},
		Rows: [][]any{{"7", 1107.4200000000003, int64(1008), time.Date(2026, 2, 1, 5, 0, 0, 0, time.UTC)}, {"8, \"new\"", math.NaN(), int64(0), nil}, {"=1+1", math.Inf(1), int64(-3), nil}}}}
	return d
}

// What a spreadsheet shows is what was worked out: read back and compared.
func TestXLSXReadsBack(t *testing.T) {
	b, err := valued().XLSX()
	require.NoError(t, err)
	again, err := valued().XLSX()
	require.NoError(t, err)
	require.True(t, bytes.Equal(b, again), "the same document gives the same bytes")
	f, err := excelize.OpenReader(bytes.NewReader(b))
	require.NoError(t, err)
	require.Equal(t, []string{"Report", "Figures", "By mould"}, f.GetSheetList())
	rows, err := f.GetRows("By mould", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	require.Equal(t, []string{"Mould", "Mean", "Panels", "At"}, rows[1])
	require.Equal(t, []string{"", "mm"}, rows[2][:2])
	mean, err := strconv.ParseFloat(rows[3][1], 64) // the reading library rounds to 15 digits, as spreadsheet programs do
	require.NoError(t, err)
	require.InEpsilon(t, 1107.4200000000003, mean, 1e-15)
	require.Equal(t, "", rows[4][1], "no number is an empty cell")
	require.Equal(t, "=1+1", rows[5][0])
	formula, err := f.GetCellFormula("By mould", "A6")
	require.NoError(t, err)
	require.Empty(t, formula, "words stay words")
	figures, err := f.GetRows("Figures", excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	require.Equal(t, []string{"ppk", "Ppk", "largest deviation, all moulds", "1.44", "1.41", "1.47", "0.95", "1"}, figures[2][:8])
}

func TestCSVReadsBack(t *testing.T) {
	b, err := valued().CSV()
	require.NoError(t, err)
	again, err := valued().CSV()
	require.NoError(t, err)
	require.True(t, bytes.Equal(b, again))
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	require.NoError(t, err)
	var names []string
	for _, f := range z.File {
		names = append(names, f.Name)
	}
	require.Equal(t, []string{"report.csv", "figures.csv", "by-mould.csv"}, names)
	r, err := z.File[2].Open()
	require.NoError(t, err)
	rows, err := csv.NewReader(r).ReadAll()
	require.NoError(t, err)
	require.Equal(t, [][]string{{"Mould", "Mean, mm", "Panels", "At"}, {"7", "1107.4200000000003", "1008", "2026-02-01T05:00:00Z"}, {"8, \"new\"", "", "0", ""}, {"=1+1", "+Inf", "-3", ""}}, rows)
	_, err = io.Copy(io.Discard, r)
	require.NoError(t, err)
}

func TestJSONReadsBack(t *testing.T) {
	b, err := valued().JSON()
	require.NoError(t, err)
	var out struct {
		Figures []struct {
			ID           string
			Value, Lower *float64
		}
		Sheets []struct {
			Name string
			Rows [][]any
		}
	}
	require.NoError(t, json.Unmarshal(b, &out))
	require.Equal(t, 1.44, *out.Figures[0].Value)
	require.Nil(t, out.Figures[12].Value, "no number is null")
	require.Equal(t, []any{"7", 1107.4200000000003, 1008.0, "2026-02-01T05:00:00Z"}, out.Sheets[0].Rows[0])
	require.Equal(t, []any{"=1+1", "inf", -3.0, nil}, out.Sheets[0].Rows[2])
}
