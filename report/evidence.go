package report

import (
	"errors"

	"leastwatt/energy"
)

// Evidence is what a page shows.
type Evidence struct {
	Scale     Scale     // by antennas, or another quantity
	Model     string    // of the power from the wall; empty: not known
	Samples   []Sample  // ways of scheduling the same slots, ours first
	View      *SlotView // one slot; nil: none
	EIRP      []EIRP    // by antennas
	CarrierHz float64
}

// Figures returns the figures of all that there is, in the order of the argument:
// what is saved, that it is not paid for, how it is done, and what else it costs.
func (e *Evidence) Figures() ([]Figure, error) {
	var out []Figure
	var errs []error
	add := func(f *Figure, err error) {
		errs = append(errs, err)
		if f != nil && err == nil {
			out = append(out, *f)
		}
	}
	if len(e.Scale.Points) > 1 {
		add(e.Scale.Power())
	}
	if len(e.Samples) > 0 {
		add(Rates(e.Samples))
		add(Distribution(e.Samples))
	}
	if e.View != nil {
		add(e.View.Groups())
		add(e.View.Beams())
	}
	if len(e.Scale.Points) > 1 && e.Model != "" {
		add(e.Scale.Consumed(e.Model))
	}
	add(Exposure(e.EIRP, e.CarrierHz))
	return out, errors.Join(errs...)
}

// Paragraphs of pages: what figures hold, and what they do not say.
const (
	Caution = "Computed, not measured. Before anything transmits: a licence, exposure limits and local codes apply, and a qualified person decides.\n" + energy.Caution

	ConsumedMethod = "Power from the wall is not measured: it is a published model's, its numbers those that stand under its name, at the load of every slot."
	FloorMethod    = "The floor is proved for every slot by a certificate of prices and powers that is re-checked apart from the engine. It is for the channels as given, taken as exact, and knows no limits."
)
