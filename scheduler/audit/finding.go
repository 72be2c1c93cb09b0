package audit

import (
	"fmt"
	"math"
	"strconv"
)

// Finding is one disagreement.
type Finding struct {
	Path       string // of the claim in the plan, in JSON names
	Claimed    float64
	Recomputed float64
	Text       string // in words
	IsLimit    bool   // Claimed is what a limit or a rule allows
}

// String returns the finding as one line.
func (f Finding) String() string { return f.Path + ": " + f.Words() }

// Words returns what was found, with as many digits as tell the two numbers apart;
// without numbers where both are 0.
func (f Finding) Words() string {
	if f.Claimed == 0 && f.Recomputed == 0 {
		return f.Text
	}
	verb := "claimed"
	if f.IsLimit {
		verb = "allowed"
	}
	digits := 6
	show := func(x float64) string { return strconv.FormatFloat(x, 'g', digits, 64) }
	for f.Claimed != f.Recomputed && digits < 17 && show(f.Claimed) == show(f.Recomputed) {
		digits++
	}
	return fmt.Sprintf("%s: %s %s, found %s", f.Text, verb, show(f.Claimed), show(f.Recomputed))
}

// compare notes a claim that is not what was re-computed.
func (a *auditor) compare(path, text string, claimed, recomputed float64) {
	if !(math.Abs(claimed-recomputed) <= Tolerance*math.Abs(recomputed)) {
		a.find(path, text, claimed, recomputed)
	}
}

// find notes a claim that is wrong.
func (a *auditor) find(path, text string, claimed, recomputed float64) {
	a.result.Findings = append(a.result.Findings, Finding{path, claimed, recomputed, text, false})
}

// over notes what a limit or a rule does not allow.
func (a *auditor) over(path, text string, allowed, recomputed float64) {
	a.result.Findings = append(a.result.Findings, Finding{path, allowed, recomputed, text, true})
}
