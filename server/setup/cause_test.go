package setup_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"sagwatch/server/plant"
	"sagwatch/server/setup"
)

const withCauses = `
site: KV
time_zone: UTC
shifts: ["06:00", "14:00", "22:00"]
causes:
  - id: belt-stop
    name: Belt of the lehr stood
    looks_like: All lanes step one lehr time after the stop.
    fits: {kind: glass, extents: [all-streams], changes: [step], characteristics: [radius_mm, width]}
    plan: ["Ask when it stood.", "Hold what was in it."]
  - {id: plunger, name: "Plunger", plan: ["Tell the press foreman."]}
  - {id: gob, name: "Gob", plan: ["Weigh."], retired: true}
actions:
  - {id: belt, name: Belt started again}
`

// What the plant writes about causes is read, compared with what comes with the program, exported, and read back to the same.
func TestCausesRoundTrip(t *testing.T) {
	none := empty(t)
	p, err := setup.Read([]byte(withCauses))
	require.NoError(t, err)
	require.NoError(t, p.Check(none))
	changes, err := p.Changes("KV", none)
	require.NoError(t, err)
	words := map[string]string{}
	for _, c := range changes {
		words[c.ID] = c.String()
		require.Equal(t, c.ID == "gob", c.Retired())
	}
	require.Equal(t, "cause belt-stop is new", words["belt-stop"])
	require.Equal(t, "cause plunger changes in fits, looks_like, name and plan from what comes with Sagwatch", words["plunger"])
	require.Equal(t, "action belt is new", words["belt"])

	c := defined(t, none, changes)
	require.True(t, func() bool { g, _ := c.Cause("gob"); return g.Retired }())
	out, err := setup.Export("KV", c)
	require.NoError(t, err)
	require.NotContains(t, string(out), "mould-twist", "what the plant has not touched is not exported")
	again, err := setup.Read(out)
	require.NoError(t, err, string(out))
	require.Equal(t, p.Actions, again.Actions)
	require.ElementsMatch(t, p.Causes, again.Causes)
	changes, err = again.Changes("KV", c)
	require.NoError(t, err)
	require.Empty(t, changes, "reading back what was exported changes nothing")
}

// A built-in cause that is written out as it comes is no change.
func TestBuiltInCauseAsItComes(t *testing.T) {
	none := empty(t)
	r, ok := none.Latest(plant.KindCause, "plunger")
	require.True(t, ok)
	p, err := setup.Read([]byte(`{"causes": [` + string(r.Body) + `]}`))
	require.NoError(t, err)
	changes, err := p.Changes("KV", none)
	require.NoError(t, err)
	require.Empty(t, changes)
}

func TestCausesRefused(t *testing.T) {
	for name, x := range map[string]struct{ file, want string }{
		"no plan":        {`{causes: [{id: a, name: A}]}`, "plan is missing"},
		"empty plan":     {`{causes: [{id: a, name: A, plan: []}]}`, "1 to 30 steps"},
		"empty step":     {`{causes: [{id: a, name: A, plan: [" "]}]}`, "1 to 500 characters"},
		"kept id":        {`{actions: [{id: other, name: A}]}`, "kept for what is not on the list"},
		"unknown extent": {`{causes: [{id: a, name: A, fits: {extents: [one-strem]}, plan: [x]}]}`, `did you mean "one-stream"`},
		"twice":          {`{causes: [{id: a, name: A, plan: [x]}, {id: a, name: B, plan: [x]}]}`, "defined twice"},
		"no name":        {`{actions: [{id: a}]}`, "name is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := setup.Read([]byte(x.file))
			require.ErrorContains(t, err, x.want)
		})
	}
	p, err := setup.Read([]byte(`{actions: [{id: a, name: mould CHANGED}]}`))
	require.NoError(t, err)
	require.ErrorContains(t, p.Check(empty(t)), `action mould-changed has the name "Mould changed" already`)
}
