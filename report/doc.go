// Package report draws what campaigns and single slots show, and puts it on one
// page that an outsider can check: a question, the set-up, figures with the
// numbers that are drawn, and the command that makes them again.
//
// A Figure is a picture with its table. It is written as .png, .svg and .csv, and
// into a Page, one HTML file that needs nothing else. Colours stay apart for the
// colour-blind and on paper: what colour tells, dashes, shades or labels tell too.
package report
