package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"leastwatt/campaign"
	"leastwatt/channel"
	"leastwatt/channel/quay"
	"leastwatt/energy"
)

// demoReport is everything the demo found, as --json prints it.
type demoReport struct {
	Seed             int64       `json:"seed"`
	Slots            int         `json:"slots"`
	SlotIntervalS    float64     `json:"slotIntervalS"`
	Users            int         `json:"users"`
	TargetBps        float64     `json:"targetBps"` // of all users together
	CarrierHz        float64     `json:"carrierHz"`
	BandwidthHz      float64     `json:"bandwidthHz"`
	Shift            []shiftLine `json:"shift"`
	ArraySlots       int         `json:"arraySlots"`
	Array            []arrayLine `json:"array"`
	Summary          string      `json:"summary"`
	Caution          string      `json:"caution"`
	Report           string      `json:"report"` // the page's file
	EveryPlanAudited bool        `json:"everyPlanAudited"`
}

// line is what both tables say of a way.
type line struct {
	Antennas         int      `json:"antennas"`
	Grouping         string   `json:"grouping"`
	Beams            string   `json:"beams"`
	Power            string   `json:"power"`
	WorstRateRatio   float64  `json:"worstRateRatio"`
	ShortSlots       int      `json:"shortSlots"`
	RadiatedPowerW   float64  `json:"radiatedPowerW"`
	RadiatedPowerDbm float64  `json:"radiatedPowerDbm"`
	ConsumedPowerW   *float64 `json:"consumedPowerW,omitempty"` // from the wall
	GroupsPerSlot    float64  `json:"groupsPerSlot"`
}

// shiftLine is one way over the whole shift.
type shiftLine struct {
	Name string `json:"name"`
	line
	SavedDb            float64 `json:"savedDb"` // by the first way against this one
	RoundTripP50Micros int64   `json:"roundTripP50Micros"`
	RoundTripP99Micros int64   `json:"roundTripP99Micros"`
	ComputeP50Micros   int64   `json:"computeP50Micros"`
	ComputeP99Micros   int64   `json:"computeP99Micros"`
}

// arrayLine is one size of array.
type arrayLine struct {
	line
	DoublingDb  *float64 `json:"doublingDb,omitempty"`  // saved against half as many antennas
	OverFloorDb *float64 `json:"overFloorDb,omitempty"` // mean power over the mean of the slots' floors
}

const caution = "The quay, its people and its radio paths are made up. Before anything transmits: " +
	"a licence, exposure limits and local codes apply, and a qualified person decides."

var method = fmt.Sprintf("One column is the antenna of a usual mast: %d elements of 65 degrees and 8 dBi, %g wavelengths apart and fed as one, %.1f dBi together, "+
	"tilted for least power over the shift, its users in turn with the best shares of the slot. ", quay.ColumnElements, quay.ColumnSpacing, quay.ColumnGainDBi()) +
	"The antennas of an array are single elements. " +
	"Zero-forcing is the textbook's: semi-orthogonal groups, powers by linear program. " +
	"Savings compare mean powers over the very same slots. " +
	"The floor is the power that no scheme of transmission can go below at these rates. " +
	"Rates, powers and floors are re-computed on this side of the wire from the weights and certificate of every plan. " +
	"Power from the wall is that of the model " + energy.DefaultName + ": " + energy.ByName(energy.DefaultName).Source + ". " +
	"Time runs from slot sent to plan received."

// newDemoReport sums up the shift, ours first, and the sizes of array.
func newDemoReport(seed int64, shift, sizes []*outcome) *demoReport {
	scene := quay.New(seed, quay.DayShift, 1, 1)
	r := &demoReport{
		Seed:             seed,
		Slots:            len(shift[0].slots),
		SlotIntervalS:    quay.SlotIntervalS,
		Users:            len(scene.Users),
		CarrierHz:        quay.CarrierHz,
		BandwidthHz:      quay.BandwidthHz,
		ArraySlots:       len(sizes[0].slots),
		Caution:          caution,
		EveryPlanAudited: true, // a plan that is not, or that the audit disagrees with, ends the demo
	}
	for _, u := range scene.Users {
		r.TargetBps += u.Class.RateBps
	}
	for _, o := range shift {
		compute := each(o, func(t *campaign.Trial) time.Duration { return t.Compute })
		r.Shift = append(r.Shift, shiftLine{
			Name:               o.name,
			line:               newLine(o),
			SavedDb:            decibels(o.meanPowerW() / shift[0].meanPowerW()),
			RoundTripP50Micros: campaign.Quantile(o.roundTrip, 0.50).Microseconds(),
			RoundTripP99Micros: campaign.Quantile(o.roundTrip, 0.99).Microseconds(),
			ComputeP50Micros:   campaign.Quantile(compute, 0.50).Microseconds(),
			ComputeP99Micros:   campaign.Quantile(compute, 0.99).Microseconds(),
		})
	}
	for i, o := range sizes {
		l := arrayLine{line: newLine(o), OverFloorDb: o.overFloorDB()}
		if i > 0 {
			saved := decibels(sizes[i-1].meanPowerW() / o.meanPowerW())
			l.DoublingDb = &saved
		}
		r.Array = append(r.Array, l)
	}
	r.Summary = r.summary()
	return r
}

func newLine(o *outcome) line {
	s := o.strategy()
	return line{
		Antennas:         o.antennas,
		Grouping:         s.Grouping,
		Beams:            s.Beams,
		Power:            s.Power,
		WorstRateRatio:   o.worstRatio(),
		ShortSlots:       o.short(),
		RadiatedPowerW:   o.meanPowerW(),
		RadiatedPowerDbm: channel.DBm(o.meanPowerW()),
		ConsumedPowerW:   o.consumedW(),
		GroupsPerSlot:    o.groupsPerSlot(),
	}
}

// summary says in a few sentences what was seen.
func (r *demoReport) summary() string {
	ours, least, most := r.Shift[0], math.Inf(1), math.Inf(-1)
	for _, l := range r.Array[1:] {
		least, most = min(least, *l.DoublingDb), max(most, *l.DoublingDb)
	}
	first, last := r.Array[0], r.Array[len(r.Array)-1]
	var against []string
	for _, l := range r.Shift[1:] {
		against = append(against, fmt.Sprintf("%s than %s (%s)", moreOrLess(l.SavedDb), l.Name, watts(l.RadiatedPowerW)))
	}
	return fmt.Sprintf("Over %s %s radiated %s on average for %d users, %s. "+
		"%sFrom %d to %d antennas each doubling changed the power by %+.1f to %+.1f dB at the same rates, "+
		"while groups per slot went from %.1f to %.1f. %s",
		slotCount(r.Slots), ours.Name, watts(ours.RadiatedPowerW), r.Users, strings.Join(against, " and "), r.fromTheWall(),
		first.Antennas, last.Antennas, -most, -least, first.GroupsPerSlot, last.GroupsPerSlot, r.kept())
}

// fromTheWall says what is drawn from the wall, and with which array least; nothing
// where it is not known.
func (r *demoReport) fromTheWall() string {
	ours := r.Shift[0].ConsumedPowerW
	if ours == nil {
		return ""
	}
	var others []string
	for _, l := range r.Shift[1:] {
		if l.ConsumedPowerW != nil {
			others = append(others, fmt.Sprintf("%s with %s", watts(*l.ConsumedPowerW), l.Name))
		}
	}
	text := fmt.Sprintf("From the wall that is %s, beside %s", watts(*ours), strings.Join(others, " and "))
	if least := r.leastConsumed(); least != nil {
		text += fmt.Sprintf("; of the arrays %d antennas draw least, %s", least.Antennas, watts(*least.ConsumedPowerW))
	}
	return text + ". "
}

// leastConsumed returns the size of array that draws least from the wall; nil where
// that is not known.
func (r *demoReport) leastConsumed() *arrayLine {
	var least *arrayLine
	for i := range r.Array {
		if l := &r.Array[i]; l.ConsumedPowerW != nil && (least == nil || *l.ConsumedPowerW < *least.ConsumedPowerW) {
			least = l
		}
	}
	return least
}

// kept says whether the rates were.
func (r *demoReport) kept() string {
	var missed []string
	for _, l := range r.Shift {
		if l.ShortSlots > 0 {
			missed = append(missed, fmt.Sprintf("%s in %d of %d slots", l.Name, l.ShortSlots, r.Slots))
		}
	}
	for _, l := range r.Array {
		if l.ShortSlots > 0 {
			missed = append(missed, fmt.Sprintf("the array of %d in %d of %d", l.Antennas, l.ShortSlots, r.ArraySlots))
		}
	}
	if len(missed) > 0 {
		return "Rates were missed by " + strings.Join(missed, ", ") + "."
	}
	return "Every rate was met in every slot."
}

func moreOrLess(savedDB float64) string {
	if savedDB < 0 {
		return fmt.Sprintf("%.1f dB more", -savedDB)
	}
	return fmt.Sprintf("%.1f dB less", savedDB)
}

// print writes the two tables, the summary and the caution.
func (r *demoReport) print(w io.Writer) error {
	p := &printer{w: w}
	p.f("The shift: %d users asking %.0f Mbit/s together in %.0f MHz, %s %g s apart\n\n",
		r.Users, r.TargetBps/1e6, r.BandwidthHz/1e6, slotCount(r.Slots), r.SlotIntervalS)
	p.f("%-28s  %17s  %7s  %9s  %10s  %8s  %15s\n", "", "radiated, mean", "we save", "from wall", "worst rate", "groups", "time per slot")
	p.f("%-28s  %9s %7s  %7s  %9s  %10s  %8s  %7s %7s\n", "", "W", "dBm", "dB", "W", "/ target", "per slot", "p50 ms", "p99 ms")
	for i, l := range r.Shift {
		saved := "-"
		if i > 0 {
			saved = fmt.Sprintf("%.1f", l.SavedDb)
		}
		p.f("%-28s  %9.4g %7.1f  %7s  %9s  %10.6f  %8.1f  %7.2f %7.2f\n", l.Name, l.RadiatedPowerW, l.RadiatedPowerDbm, saved, cell("%.4g", l.ConsumedPowerW, 1),
			l.WorstRateRatio, l.GroupsPerSlot, float64(l.RoundTripP50Micros)/1e3, float64(l.RoundTripP99Micros)/1e3)
	}
	p.f("\nThe array: the same rates and positions, every size on the same %s of the shift\n\n", slotCount(r.ArraySlots))
	p.f("%8s  %17s  %12s  %10s  %9s  %10s  %8s\n", "", "radiated, mean", "per doubling", "over floor", "from wall", "worst rate", "groups")
	p.f("%8s  %9s %7s  %12s  %10s  %9s  %10s  %8s\n", "antennas", "W", "dBm", "dB", "dB", "W", "/ target", "per slot")
	for _, l := range r.Array {
		doubling, over := "-", "-"
		if l.DoublingDb != nil {
			doubling = fmt.Sprintf("%+.1f", -*l.DoublingDb)
		}
		if l.OverFloorDb != nil {
			over = fmt.Sprintf("%.1f", *l.OverFloorDb)
		}
		p.f("%8d  %9.4g %7.1f  %12s  %10s  %9s  %10.6f  %8.1f\n", l.Antennas, l.RadiatedPowerW, l.RadiatedPowerDbm, doubling, over, cell("%.4g", l.ConsumedPowerW, 1), l.WorstRateRatio, l.GroupsPerSlot)
	}
	for _, text := range []string{r.Summary, method, r.Caution, "The report, to look at and to print: " + r.Report} {
		p.f("\n%s\n", wrap(text, 92))
	}
	return p.err
}

// wrap breaks text between words into lines of at most width bytes.
func wrap(text string, width int) string {
	var lines []string
	var line string
	for _, word := range strings.Fields(text) {
		switch {
		case line == "":
			line = word
		case len(line)+1+len(word) <= width:
			line += " " + word
		default:
			lines = append(lines, line)
			line = word
		}
	}
	return strings.Join(append(lines, line), "\n")
}

func slotCount(n int) string {
	if n == 1 {
		return "1 slot"
	}
	return fmt.Sprintf("%d slots", n)
}

// printer keeps the first error of many prints.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) f(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, args...)
	}
}

// watts returns powerW with a prefix that keeps it readable.
func watts(powerW float64) string {
	switch {
	case powerW >= 1:
		return fmt.Sprintf("%.3g W", powerW)
	case powerW >= 1e-3:
		return fmt.Sprintf("%.3g mW", powerW*1e3)
	default:
		return fmt.Sprintf("%.3g uW", powerW*1e6)
	}
}

func decibels(ratio float64) float64 { return 10 * math.Log10(ratio) }
