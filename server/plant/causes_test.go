package plant_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/spc"
)

func catalogue(t *testing.T, causes ...spc.Cause) *plant.Catalogue {
	t.Helper()
	var revisions []plant.Revision
	count := map[string]int{}
	for _, c := range causes {
		body, err := json.Marshal(c)
		require.NoError(t, err)
		count[c.ID]++
		revisions = append(revisions, plant.Revision{Kind: plant.KindCause, ID: c.ID, Number: count[c.ID], EffectiveFrom: time.Unix(int64(count[c.ID]), 0), Body: body})
	}
	c, err := plant.New(revisions)
	require.NoError(t, err)
	return c
}

// Each row of the table of causes, common practice in the trade without a source, leads to its own plan first.
func TestSuggestionsFollowTheTableOfCauses(t *testing.T) {
	t.Parallel()
	c := catalogue(t)
	for _, x := range []struct {
		found plant.Finding
		among []string // the first suggestion is one of them
	}{
		{plant.Finding{Kind: "glass", Extent: "all-streams", Change: "drift", Characteristic: "radius_mm"}, []string{"heat-all-moulds"}},
		{plant.Finding{Kind: "glass", Extent: "one-stream", Change: "drift", Characteristic: "radius_mm"}, []string{"mould-cooling", "mould-worn"}},
		{plant.Finding{Kind: "glass", Extent: "one-stream", Change: "step", Characteristic: "radius_mm"}, []string{"mould-cooling", "mould-worn"}},
		{plant.Finding{Kind: "glass", Extent: "all-streams", Change: "step", Characteristic: "cubic_1_um"}, []string{"plunger"}},
		{plant.Finding{Kind: "glass", Extent: "all-streams", Change: "step", Characteristic: "form_um"}, []string{"gob"}},
		{plant.Finding{Kind: "glass", Extent: "one-lane", Change: "step", Characteristic: "twofold_um"}, []string{"lehr-lane"}},
		{plant.Finding{Kind: "glass", Extent: "all-streams", Change: "drift", Characteristic: "twofold_um"}, []string{"lehr-belt"}},
		{plant.Finding{Kind: "glass", Extent: "one-stream", Change: "drift", Characteristic: "twist_um"}, []string{"mould-twist"}},
		{plant.Finding{Kind: "gauge", Extent: "one-stream", Change: "step", Characteristic: "seat_x_mm"}, []string{"seating"}},
		{plant.Finding{Kind: "gauge", Extent: "one-probe", Change: "drift", Characteristic: "max_deviation_um"}, []string{"probe"}},
		{plant.Finding{Kind: "gauge", Extent: "whole-gauge", Change: "drift", Characteristic: "radius_mm"}, []string{"gauge-warm-up"}},
	} {
		list := c.Suggest(x.found)
		require.Contains(t, x.among, list[0].Cause.ID, "%+v", x.found)
		require.Contains(t, list[0].Agrees, "kind")
		if len(list[0].Cause.Fits.Extents) > 0 {
			require.Contains(t, list[0].Agrees, "extent")
		}
		for _, s := range list {
			if s.Cause.Fits.Kind != "" && s.Cause.Fits.Kind != x.found.Kind {
				require.Empty(t, s.Agrees, "%s is %s, the finding %s", s.Cause.ID, s.Cause.Fits.Kind, x.found.Kind)
			}
		}
		require.Len(t, list, len(plant.BuiltIn(plant.KindCause)), "every cause can be picked")
	}
	for _, s := range c.Suggest(plant.Finding{Extent: "one-stream", Change: "step", Characteristic: "radius_mm"}) {
		require.False(t, s.Cause.ID == "seating" && s.Agrees != nil, "a bad seat moves the centre, not the radius")
	}
	for _, s := range c.Suggest(plant.Finding{Kind: "undetermined"}) {
		require.Empty(t, s.Agrees, "nothing known, nothing suggested")
	}
}

// The plant's own wording takes the place of what comes with the program; a retired cause is offered no more and stays readable.
func TestCausesOfThePlant(t *testing.T) {
	t.Parallel()
	mine := spc.Cause{ID: "plunger", Name: "Plunger", Plan: []string{"ask the foreman"}}
	gone := spc.Cause{ID: "ours", Name: "Old name", Plan: []string{"x"}}
	retired := gone
	retired.Name, retired.Retired = "Ours", true
	c := catalogue(t, mine, gone, retired)
	got, n := c.Cause("plunger")
	require.Equal(t, 1, n)
	require.Equal(t, &mine, got)
	got, n = c.Cause("probe")
	require.Equal(t, 0, n)
	require.NotEmpty(t, got.Plan)
	got, n = c.Cause("ours")
	require.Equal(t, 2, n)
	require.Equal(t, "Ours", got.Name)
	got, _ = c.Cause("nowhere")
	require.Nil(t, got)
	require.False(t, slices.ContainsFunc(c.Suggest(plant.Finding{}), func(s plant.Suggestion) bool { return s.Cause.ID == "ours" }))
	list := c.Causes()
	require.Equal(t, plant.BuiltIn(plant.KindCause)[0], list[0].ID)
	require.Equal(t, "ours", list[len(list)-1].ID, "what the plant added stands last")
	require.True(t, c.Own(plant.KindCause, "plunger"))
	require.False(t, c.Own(plant.KindCause, "probe"))
	require.False(t, c.Own(plant.KindCause, "nowhere"))

	r, ok := c.Latest(plant.KindCause, "gob")
	require.True(t, ok)
	require.Equal(t, 0, r.Number)
	_, ok = c.Latest(plant.KindGauge, "gob")
	require.False(t, ok)
	require.Nil(t, c.Action("nowhere"))
	require.Equal(t, "Mould changed", c.Action("mould-changed").Name)
	c.Causes()[0].Name = "changed"
	require.NotEqual(t, "changed", c.Causes()[0].Name, "a reader cannot change the list")
}

// What comes with the program sends nobody into danger: a step that names a machine to work on says that it is isolated and who may.
func TestPlansCarryTheirCautions(t *testing.T) {
	t.Parallel()
	for _, c := range catalogue(t).Causes() {
		require.NotEmpty(t, c.Plan, c.ID)
		require.LessOrEqual(t, len(c.Plan), 30)
		require.NotEmpty(t, c.LooksLike)
	}
	for _, id := range []string{"heat-all-moulds", "mould-cooling", "mould-worn", "plunger", "lehr-lane", "mould-twist"} {
		c, _ := catalogue(t).Cause(id)
		require.True(t, slices.ContainsFunc(c.Plan, func(s string) bool {
			return strings.Contains(s, "lock") && strings.Contains(s, "authorised people only")
		}), id)
	}
}
