// Package web holds what people see. It imports nothing of the service: pages are drawn from view models whose strings are already
// rounded and carry their units, so that every page can be shown in every state without a database.
//
//	web/assets   style sheets, fonts and scripts, embedded, served under names that change with their content
//	web/plot     charts and surface maps as plain values that draw themselves as SVG
//	web/ui       the parts of a page: layout, sentences, state words, tables, fields; how numbers, units and times are written
//	web/page     one model and one template per page
//	web/gallery  every page in every state, with invented content
package web
