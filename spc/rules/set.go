package rules

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"sagwatch/spc"
)

// Rule is one of the eight run rules.
type Rule uint8

// The run rules, in the order in which Step reports them. The number in brackets is the usual count.
const (
	BeyondLimits  Rule = iota // beyond-limits [1]: beyond the upper or the lower limit
	RunOneSide                // run-one-side [9]: in a row on one side of the centre
	Trend                     // trend [6]: points in a row, each above (or each below) the one before
	Alternating               // alternating [14]: points in a row whose steps go up and down by turns
	TwoOfThree                // two-of-three-beyond-2s [2]: count of count+1 beyond 2 sigma on the same side
	FourOfFive                // four-of-five-beyond-1s [4]: count of count+1 beyond 1 sigma on the same side
	FifteenWithin             // fifteen-within-1s [15]: in a row not beyond 1 sigma on either side
	EightOutside              // eight-outside-1s [8]: in a row beyond 1 sigma, on either side
	NumRules
)

// kind describes a rule: its key in the set-up file, its usual count and the least count with a meaning.
var kinds = [NumRules]struct {
	key          string
	usual, least uint8
}{
	BeyondLimits:  {"beyond-limits", 1, 1},
	RunOneSide:    {"run-one-side", 9, 2},
	Trend:         {"trend", 6, 3},
	Alternating:   {"alternating", 14, 4},
	TwoOfThree:    {"two-of-three-beyond-2s", 2, 2},
	FourOfFive:    {"four-of-five-beyond-1s", 4, 2},
	FifteenWithin: {"fifteen-within-1s", 15, 2},
	EightOutside:  {"eight-outside-1s", 8, 2},
}

// MaxCount is the greatest count that a rule can be set to: the State remembers the last 64 points.
const MaxCount = 60

// String is the rule's key in the set-up file.
func (r Rule) String() string {
	if r < NumRules {
		return kinds[r].key
	}
	return "unknown"
}

// UsualCount is the count that holds when none is set.
func (r Rule) UsualCount() int { return int(kinds[r].usual) }

// ParseRule finds a rule by its key.
func ParseRule(key string) (Rule, bool) {
	for r := range NumRules {
		if kinds[r].key == key {
			return r, true
		}
	}
	return 0, false
}

// Keys lists the keys of all rules in reporting order.
func Keys() []string {
	keys := make([]string, NumRules)
	for r := range NumRules {
		keys[r] = kinds[r].key
	}
	return keys
}

// SettingError says what is wrong with one rule of a set, and what would be right.
type SettingError struct {
	Index int    // place in the list, from 0; -1 when the whole is no list
	Key   string // as written
	Msg   string
}

// Error names the place, the key and what would be right.
func (e *SettingError) Error() string {
	switch {
	case e.Index < 0:
		return "rules: " + e.Msg
	case e.Key == "":
		return fmt.Sprintf("rules[%d]: %s", e.Index, e.Msg)
	}
	return fmt.Sprintf("rules[%d]: %s: %s", e.Index, e.Key, e.Msg)
}

// Set says which rules are on and their counts. The zero Set has none on. Sets are comparable values.
//
// In JSON and YAML a Set is a list whose entries are a key, or one key with its count: [beyond-limits, {trend: 7}].
type Set struct {
	count [NumRules]uint8 // 0: off
}

// Default is the set of a chart that names none: beyond-limits alone.
func Default() Set { return Set{count: [NumRules]uint8{BeyondLimits: 1}} }

// All is every rule at its usual count.
func All() Set {
	var s Set
	for r := range NumRules {
		s.count[r] = kinds[r].usual
	}
	return s
}

// NewSet makes a set of the given settings; Count 0 means the usual count. It refuses an unknown key, a key given
// twice and a count without a meaning with a *SettingError. No settings give the zero Set.
func NewSet(settings ...spc.RuleSetting) (Set, error) {
	var s Set
	for i, t := range settings {
		r, ok := ParseRule(t.Key)
		if !ok {
			return Set{}, &SettingError{i, t.Key, "no such rule; the rules are " + strings.Join(Keys(), ", ")}
		}
		if s.count[r] != 0 {
			return Set{}, &SettingError{i, t.Key, "given twice; keep one"}
		}
		k := kinds[r]
		switch n := t.Count; {
		case n == 0:
			s.count[r] = k.usual
		case r == BeyondLimits && n != 1:
			return Set{}, &SettingError{i, t.Key, fmt.Sprintf("takes no count, has %d; one point beyond a limit is enough", n)}
		case n < int(k.least) || n > MaxCount:
			return Set{}, &SettingError{i, t.Key, fmt.Sprintf("count %d; it must be %d to %d (usual: %d)", n, k.least, MaxCount, k.usual)}
		default:
			s.count[r] = uint8(n)
		}
	}
	return s, nil
}

// On reports whether a rule is on.
func (s Set) On(r Rule) bool { return s.count[r] != 0 }

// Count is a rule's count, 0 when it is off.
func (s Set) Count(r Rule) int { return int(s.count[r]) }

// With returns the set with one rule on at a count (0: usual), or an error as NewSet.
func (s Set) With(r Rule, count int) (Set, error) {
	one, err := NewSet(spc.RuleSetting{Key: r.String(), Count: count})
	if err != nil {
		return s, err
	}
	s.count[r] = one.count[r]
	return s, nil
}

// Only returns the set with every rule off that is not among those named, for guard limits that judge beyond-limits
// alone.
func (s Set) Only(keep ...Rule) Set {
	var t Set
	for _, r := range keep {
		t.count[r] = s.count[r]
	}
	return t
}

// Window is the greatest number of points that one hit can reach back over, this point included: how many points a
// caller must keep to list those of any hit. 0 for the zero Set.
func (s Set) Window() int {
	w := 0
	for r := range NumRules {
		if s.count[r] != 0 {
			w = max(w, s.span(r))
		}
	}
	return w
}

// span is the number of points that rule r looks at.
func (s Set) span(r Rule) int {
	n := int(s.count[r])
	if r == TwoOfThree || r == FourOfFive {
		n++
	}
	return n
}

// Settings lists the rules that are on, in reporting order, with their counts written out.
func (s Set) Settings() []spc.RuleSetting {
	var list []spc.RuleSetting
	for r := range NumRules {
		if s.count[r] != 0 {
			list = append(list, spc.RuleSetting{Key: r.String(), Count: int(s.count[r])})
		}
	}
	return list
}

// list is the written form: a bare key at the usual count, else one key with its count.
func (s Set) list() []any {
	list := []any{}
	for _, t := range s.Settings() {
		if r, _ := ParseRule(t.Key); t.Count == r.UsualCount() {
			list = append(list, t.Key)
		} else {
			list = append(list, map[string]int{t.Key: t.Count})
		}
	}
	return list
}

// ParseList makes a set of the written form after decoding: entries are a string, or a map of one key to a whole
// number. It refuses anything else with a *SettingError.
func ParseList(list []any) (Set, error) {
	settings := make([]spc.RuleSetting, len(list))
	for i, entry := range list {
		switch e := entry.(type) {
		case string:
			settings[i].Key = e
		case map[string]any:
			if len(e) != 1 {
				return Set{}, &SettingError{i, "", fmt.Sprintf("has %d keys; write one rule to an entry, as {trend: 7}", len(e))}
			}
			for key, v := range e {
				n, ok := wholeNumber(v)
				if !ok || n == 0 {
					return Set{}, &SettingError{i, key, fmt.Sprintf("count %v; it must be a whole number above 0", v)}
				}
				settings[i] = spc.RuleSetting{Key: key, Count: n}
			}
		default:
			return Set{}, &SettingError{i, "", fmt.Sprintf("is %v; write a rule's key, or a key with its count as {trend: 7}", entry)}
		}
	}
	return NewSet(settings...)
}

// wholeNumber takes the number types that JSON and YAML decoders produce.
func wholeNumber(v any) (int, bool) {
	const most = 1 << 30
	switch n := v.(type) {
	case int:
		return n, true
	case int64:
		return int(n), n > -most && n < most
	case uint64:
		return int(n), n < most
	case float64:
		return int(n), n == math.Trunc(n) && math.Abs(n) < most
	}
	return 0, false
}

// MarshalJSON writes the list form.
func (s Set) MarshalJSON() ([]byte, error) { return json.Marshal(s.list()) }

// UnmarshalJSON reads the list form.
func (s *Set) UnmarshalJSON(b []byte) error {
	return s.UnmarshalYAML(func(v any) error { return json.Unmarshal(b, v) })
}

// MarshalYAML gives the list form to a YAML encoder.
func (s Set) MarshalYAML() (any, error) { return s.list(), nil }

// UnmarshalYAML reads the list form; unmarshal is the decoder's.
func (s *Set) UnmarshalYAML(unmarshal func(any) error) error {
	var v any
	if err := unmarshal(&v); err != nil {
		return err
	}
	list, ok := v.([]any)
	if !ok {
		return &SettingError{-1, "", fmt.Sprintf("%v is no list; write [beyond-limits, {trend: 7}]", v)}
	}
	t, err := ParseList(list)
	if err != nil {
		return err
	}
	*s = t
	return nil
}
