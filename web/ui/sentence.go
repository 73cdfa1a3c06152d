package ui

import "strings"

// Run is a piece of a sentence: plain words, a link, or a figure that leads to where it came from.
type Run struct {
	Text string
	Href string // "" for plain words
	Why  bool   // the link leads to the figure's formula, inputs and source: dotted underline
}

// Sentence is a line of text in pieces. Spaces between pieces are part of the pieces.
type Sentence []Run

// Say makes a sentence of plain words.
func Say(text string) Sentence { return Sentence{{Text: text}} }

// And adds plain words.
func (s Sentence) And(text string) Sentence { return append(s, Run{Text: text}) }

// Link adds words that lead elsewhere.
func (s Sentence) Link(text, href string) Sentence { return append(s, Run{Text: text, Href: href}) }

// Why adds a figure that leads to its formula, inputs and source.
func (s Sentence) Why(text, href string) Sentence {
	return append(s, Run{Text: text, Href: href, Why: true})
}

// String is the sentence without its links: for titles and descriptions.
func (s Sentence) String() string {
	var b strings.Builder
	for _, r := range s {
		b.WriteString(r.Text)
	}
	return b.String()
}

// Statement opens a page: where one is, the situation in one sentence with its numbers, what is doubtful about it and what it means,
// and the next actions.
type Statement struct {
	Where  []Run      // "Charts" (a link), "press A", "mould 7": joined by middle dots
	Say    Sentence   // the page's one h1
	Doubts []Sentence // each a paragraph
	Acts   []Act      // at most one of them first
}

// Act is a link that acts, drawn as a button.
type Act struct {
	Text  string // a verb and its object
	Href  string
	First bool   // the page's first action
	Grave bool   // not to be undone by another click
	Key   string // function key that presses it: "F2"; "" for none
}

// State is a shape, a word and a colour, trusted in that order backwards: the word says all.
type State struct {
	Kind  Kind
	Word  string
	Quiet bool // not bold: for "all well"
}

// Kind is one of the five kinds of state.
type Kind string

// The kinds of state; each has its shape and its colour.
const (
	Good   Kind = "good"   // conforms, steady, in order, closed
	Bad    Kind = "bad"    // does not conform, beyond a limit, open
	Unsure Kind = "unsure" // undecided, too close to say
	Held   Kind = "held"   // held, due, acknowledged
	None   Kind = "none"   // not judged, not yet, withdrawn
)

// Is makes a state whose word is bold unless it says that all is well.
func Is(kind Kind, word string) State {
	return State{Kind: kind, Word: word, Quiet: kind == Good || kind == None}
}
