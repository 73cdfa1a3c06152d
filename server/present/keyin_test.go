package present_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/server/present"
	"sagwatch/spc"
)

func TestFieldsLieAsTheGaugeDoes(t *testing.T) {
	// Two rows of three, numbered from the bottom right, each a little off its row.
	xy := [][2]float64{{100, -51}, {0, -50}, {-100, -49}, {100, 50}, {1, 52}, {-99, 49}}
	require.Equal(t, [][]int{{5, 4, 3}, {2, 1, 0}}, present.GridRows(xy, 6))
}

func TestASpotWithoutAPlaceStaysEmpty(t *testing.T) {
	xy := [][2]float64{{-100, 50}, {100, 50}, {-100, -50}, {0, -50}, {100, -50}}
	require.Equal(t, [][]int{{0, -1, 1}, {2, 3, 4}}, present.GridRows(xy, 5))
}

func TestScatteredPlacesStandInTheirOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	xy := make([][2]float64, 100)
	for i := range xy {
		xy[i] = [2]float64{rng.Float64() * 500, rng.Float64() * 400}
	}
	rows := present.GridRows(xy, 100)
	seen := map[int]bool{}
	for _, row := range rows {
		require.LessOrEqual(t, len(row), 12)
		for _, i := range row {
			if i >= 0 {
				require.False(t, seen[i])
				seen[i] = true
			}
		}
	}
	require.Len(t, seen, 100, "every place has its field")
	require.Equal(t, [][]int{{0, 1, 2}}, present.GridRows(nil, 3))
	require.Equal(t, [][]int{{0}}, present.GridRows([][2]float64{{0, 0}}, 1))
}

func TestTheFormKeepsWhatWasTypedAndOffersWhatIsDefined(t *testing.T) {
	f := present.KeyInFacts{Gauge: &spc.Gauge{ID: "CG-1", Kind: spc.Radial, Unit: spc.Millimetre, Places: []spc.Place{{X: -1}, {X: 1, Unused: true}}},
		Presses: []*spc.Press{{ID: "A", Moulds: []string{"1", "2"}}, {ID: "B", Moulds: []string{"2", "3"}}}, Products: []*spc.Product{{ID: "P25", Contour: &spc.Contour{}}, {ID: "flat"}},
		Places: [][2]float64{{-1, 0}, {1, 0}}, Typed: form(), Wrong: []present.Wrong{{Field: "r1", Name: "Place 1", Text: " is odd.", Short: "It is odd."}, {Field: "press", Short: "No."}}}
	f.Typed.Press, f.Typed.Readings = "C", []string{"11", ""}
	about := f.About()
	require.Equal(t, "A-1", about[0].Value)
	require.Equal(t, "No.", about[1].Problem)
	require.Equal(t, "C", about[1].Options[2].Value, "what was sent stays to be seen")
	require.True(t, about[1].Options[2].Selected)
	require.Len(t, about[2].Options, 1, "a product without contour is not for this gauge")
	require.Len(t, about[3].Options, 4, "not known, 1, 2, 3")
	g := f.Grid()
	require.Equal(t, "11", g.Rows[0][0].Value)
	require.Equal(t, "It is odd.", g.Rows[0][0].Problem)
	require.True(t, g.Rows[0][1].Unused)
	require.Equal(t, "Two things to put right", f.Problems().Head)
	require.Empty(t, present.KeyInFacts{}.Problems().Items)
}

func TestADimensionsFormHasTheValuesOfAllProducts(t *testing.T) {
	g := &spc.Gauge{ID: "PG-1", Kind: spc.Dimensions}
	products := []*spc.Product{{ID: "P", Characteristics: []spc.Characteristic{{Name: "width", Unit: "mm"}}}, {ID: "Q", Characteristics: []spc.Characteristic{{Name: "width", Unit: "mm"}, {Name: "seal_edge", Unit: "um"}}}}
	require.Equal(t, []string{"width", "seal_edge"}, present.Names(g, products))
	f := present.KeyInFacts{Gauge: g, Products: products, Typed: present.Typed{Values: map[string]string{"width": "512,2"}}}
	v := f.Values()
	require.Equal(t, "c.width", v[0].Name)
	require.Equal(t, "512,2", v[0].Value)
	require.Equal(t, "Seal edge", v[1].Label)
	require.Equal(t, "Of Q.", v[1].Help)
	require.Empty(t, f.Grid().Rows)
	require.Empty(t, f.Block().Name)
}
