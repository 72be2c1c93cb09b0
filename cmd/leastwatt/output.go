package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"leastwatt/energy"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/report"
)

// showTable prints what a command found as a table or as JSON; on stderr where its
// lines of CSV go to stdout.
func showTable(cmd *cobra.Command, csv string, asJSON bool, found interface{ print(io.Writer) error }) error {
	w := cmd.OutOrStdout()
	if csv == "-" {
		w = cmd.ErrOrStderr()
	}
	if asJSON {
		return writeJSON(w, found)
	}
	return found.print(w)
}

// writeJSON writes a value as JSON, indented.
func writeJSON(w io.Writer, value any) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(value)
}

// checkPlot tells whether a plot can be written under a name; none is fine.
func checkPlot(name string) error {
	if name != "" && !slices.Contains(report.Pictures, filepath.Ext(name)) {
		return usagef("--plot %s: %s", name, strings.Join(report.Pictures, " or "))
	}
	return nil
}

// writeMessage writes a message as protobuf JSON: on one line, or indented.
func writeMessage(w io.Writer, m proto.Message, indent bool) error {
	data, err := protojson.Marshal(m)
	if err != nil {
		return err
	}
	// protojson's own white space differs from build to build.
	var out bytes.Buffer
	if indent {
		err = json.Indent(&out, data, "", "  ")
	} else {
		err = json.Compact(&out, data)
	}
	if err != nil {
		return err
	}
	out.WriteByte('\n')
	_, err = w.Write(out.Bytes())
	return err
}

// statusWord returns a status without its prefix.
func statusWord(s pb.PlanStatus) string { return strings.TrimPrefix(s.String(), "PLAN_STATUS_") }

// violationLine is one thing wrong with a slot, as it goes to stderr.
func violationLine(v *pb.Violation) string {
	return fmt.Sprintf("%s: %s, allowed: %s", v.GetPath(), v.GetValue(), v.GetAllowed())
}

// dBm returns a power in dBm.
func dBm(powerW float64) float64 { return 30 + 10*math.Log10(powerW) }

// below returns a power so many dB under another.
func below(powerW, dB float64) float64 { return powerW * math.Pow(10, -dB/10) }

// powerText writes a power in W and dBm.
func powerText(powerW float64) string {
	if powerW == 0 {
		return "0 W"
	}
	return fmt.Sprintf("%.4g W (%.2f dBm)", powerW, dBm(powerW))
}

// overFloor says how far a plan is over its floor; nothing where either is 0.
func overFloor(powerW, floorW float64) string {
	if !(powerW > 0 && floorW > 0) {
		return ""
	}
	return fmt.Sprintf(", the plan is %.2f dB over", decibels(powerW/floorW))
}

// printPlan writes a plan for people.
func printPlan(w io.Writer, plan *pb.Plan) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	line := func(format string, args ...any) { fmt.Fprintf(out, format+"\n", args...) }
	line("slot\t%d", plan.GetSequence())
	line("status\t%s", statusWord(plan.GetStatus()))
	if s := plan.GetStrategy(); s != nil {
		line("strategy\t%s grouping, %s beams, %s power", s.GetGrouping(), s.GetBeams(), s.GetPower())
	}
	line("radiated power\t%s, mean over the slot", powerText(plan.GetRadiatedPowerW()))
	if plan.ConsumedPowerW != nil {
		line("power from the wall\t%s, mean over the slot%s", powerText(plan.GetConsumedPowerW()), antennasOff(plan))
	}
	if plan.FloorPowerW != nil {
		line("proved floor\t%s%s", powerText(plan.GetFloorPowerW()), overFloor(plan.GetRadiatedPowerW(), plan.GetFloorPowerW()))
	}
	if plan.PeakEirpW != nil {
		line("peak EIRP\t%s", powerText(plan.GetPeakEirpW()))
	}
	for _, text := range bindingTexts(plan.GetLimitsBinding()) {
		line("limit binds\t%s", text)
	}
	for _, id := range plan.GetUnservableUserIds() {
		line("unservable\t%s", id)
	}
	line("computed in\t%d us, %d solves", plan.GetComputeMicros(), plan.GetSolves())
	if plan.GetStoppedEarly() {
		line("stopped early\tthe plan is the best so far")
	}
	if err := out.Flush(); err != nil {
		return err
	}
	return printUsers(w, plan)
}

// bindingTexts says which limits bind, and what would do in their place: each by
// itself, or of one kind the many at once.
func bindingTexts(list []*pb.BindingLimit) []string {
	const many = 4
	var out []string
	for len(list) > 0 {
		n, most := 0, list[0]
		for n < len(list) && list[n].GetLimit() == list[0].GetLimit() {
			if list[n].GetNeededW() > most.GetNeededW() {
				most = list[n]
			}
			n++
		}
		for _, l := range list[:n] {
			if n <= many {
				out = append(out, fmt.Sprintf("%s[%d], %s would do", l.GetLimit(), l.GetIndex(), powerText(l.GetNeededW())))
			}
		}
		if n > many {
			out = append(out, fmt.Sprintf("%d of %s, at most %s, of [%d], would do", n, most.GetLimit(), powerText(most.GetNeededW()), most.GetIndex()))
		}
		list = list[n:]
	}
	return out
}

// printExposure writes how far from the array exposure limits are met, where EIRP
// is known.
func printExposure(w io.Writer, slot *pb.Slot, plan *pb.Plan) error {
	if !(plan.GetPeakEirpW() > 0) {
		return nil
	}
	text := energy.ExposureText(energy.Distances(plan.GetPeakEirpW(), slot.GetCarrierHz()))
	if text == "" {
		return nil
	}
	_, err := fmt.Fprintf(w, "\nexposure, at peak EIRP without a break\n%s", text)
	return err
}

// antennasOff says how many antennas a plan leaves off; nothing for none.
func antennasOff(plan *pb.Plan) string {
	off := 0
	for _, w := range plan.GetAntennaPowerW() {
		if w == 0 {
			off++
		}
	}
	if off == 0 {
		return ""
	}
	return fmt.Sprintf(", %d of %d antennas off", off, len(plan.GetAntennaPowerW()))
}

// printUsers writes what every user gets, group by group, then the users of no
// group.
func printUsers(w io.Writer, plan *pb.Plan) error {
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(out, "\ngroup\tshare\tuser\tpower W\tworst SINR dB\trate bit/s\trate / target\t")
	ratio := map[string]string{}
	for _, u := range plan.GetUsers() {
		ratio[u.GetId()] = "-"
		if u.GetTargetBps() > 0 {
			ratio[u.GetId()] = fmt.Sprintf("%.6f", u.GetRateBps()/u.GetTargetBps())
		}
	}
	served := map[string]bool{}
	for g, group := range plan.GetGroups() {
		for _, a := range group.GetAllocations() {
			served[a.GetUserId()] = true
			fmt.Fprintf(out, "%d\t%.4f\t%s\t%.4g\t%s\t%.6g\t%s\t\n", g+1, group.GetShare(), a.GetUserId(),
				a.GetPowerW(), worstSINR(a.GetSinr()), a.GetRateBps(), ratio[a.GetUserId()])
		}
	}
	for _, u := range plan.GetUsers() {
		if !served[u.GetId()] {
			fmt.Fprintf(out, "-\t-\t%s\t0\t-\t0\t%s\t\n", u.GetId(), ratio[u.GetId()])
		}
	}
	return out.Flush()
}

// worstSINR returns the lowest SINR of the subbands in use, in dB.
func worstSINR(sinr []float64) string {
	worst := math.Inf(1)
	for _, s := range sinr {
		if s > 0 {
			worst = math.Min(worst, s)
		}
	}
	if math.IsInf(worst, 1) {
		return "-"
	}
	return fmt.Sprintf("%.2f", 10*math.Log10(worst))
}
