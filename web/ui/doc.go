// Package ui holds the parts from which pages are made and the rules by which numbers, units and times are written.
//
// A page is a Frame (who looks at what, where, when) round content. Content is made of few kinds of part: a Statement (the headline
// sentence, its doubt and the next actions), State words (shape, word and colour), Tables, and Forms of Inputs. Parts are plain
// values of finished strings; a template neither computes nor fetches. Class names are those of the style sheet.
package ui
