package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"leastwatt/campaign"
	"leastwatt/scheduler"
)

// strategyFlags are flags that name several strategies.
type strategyFlags struct {
	list      []string
	groupings []string
	beams     []string
	powers    []string
}

// add adds the flags; standard says what groupings are tried where none is named.
func (f *strategyFlags) add(cmd *cobra.Command, standard string) {
	flags := cmd.Flags()
	flags.StringSliceVar(&f.list, "strategies", nil, "strategies one by one as grouping:beams:power, any of which may be left out")
	flags.StringSliceVar(&f.groupings, "grouping", nil, "groupings (default "+standard+")")
	flags.StringSliceVar(&f.beams, "beams", []string{scheduler.BeamsOptimal}, "beams: "+strings.Join(namesOf(scheduler.Beams()), ", "))
	flags.StringSliceVar(&f.powers, "power", nil, "ways to find powers (default that of the beams): "+strings.Join(namesOf(scheduler.Powers()), ", "))
}

func namesOf(list []scheduler.Info) []string {
	var names []string
	for _, i := range list {
		names = append(names, i.Name)
	}
	return names
}

// strategies returns what to try: those named one by one, or all combinations, and
// which of these were left out, with the reason. Where no groupings are named it is
// the standard ones.
func (f *strategyFlags) strategies(cmd *cobra.Command, known, standard []string) (list []scheduler.Strategy, skipped []string, err error) {
	if len(f.list) > 0 {
		for _, name := range []string{"grouping", "beams", "power"} {
			if cmd.Flags().Changed(name) {
				return nil, nil, usagef("--strategies and --%s exclude each other", name)
			}
		}
		list, err = f.oneByOne(known)
		return list, nil, err
	}
	groupings, powers := f.groupings, f.powers
	if len(groupings) == 0 {
		groupings = standard
	}
	if len(powers) == 0 {
		powers = []string{""}
	}
	for _, c := range []struct {
		flag         string
		names, known []string
	}{
		{"grouping", f.groupings, known},
		{"beams", f.beams, namesOf(scheduler.Beams())},
		{"power", f.powers, namesOf(scheduler.Powers())},
	} {
		for _, name := range c.names {
			if !slices.Contains(c.known, name) {
				return nil, nil, usagef("--%s %q: %s", c.flag, name, strings.Join(c.known, ", "))
			}
		}
	}
	for _, beams := range f.beams {
		for _, power := range powers {
			if bad := campaign.Applies(scheduler.Strategy{Beams: beams, Power: power}); len(bad) > 0 {
				skipped = append(skipped, fmt.Sprintf("%s beams with %s power: %s", beams, power, bad[0].Allowed))
				continue
			}
			for _, grouping := range groupings {
				list = append(list, scheduler.Strategy{Grouping: grouping, Beams: beams, Power: power})
			}
		}
	}
	if len(list) == 0 {
		return nil, nil, usagef("no strategy is left: %s", strings.Join(skipped, "; "))
	}
	return list, skipped, nil
}

// oneByOne returns the strategies of --strategies.
func (f *strategyFlags) oneByOne(known []string) (list []scheduler.Strategy, err error) {
	for _, text := range f.list {
		parts := append(strings.Split(text, ":"), "", "")
		s := scheduler.Strategy{Grouping: parts[0], Beams: parts[1], Power: parts[2]}
		if len(parts) > 5 || s.Grouping != "" && !slices.Contains(known, s.Grouping) {
			return nil, usagef("--strategies %q: grouping:beams:power, with a grouping of %s", text, strings.Join(known, ", "))
		}
		if bad := campaign.Applies(s); len(bad) > 0 {
			return nil, usagef("--strategies %q: %s %s: %s", text, strings.TrimPrefix(bad[0].Path, "options."), bad[0].Value, bad[0].Allowed)
		}
		list = append(list, s)
	}
	return list, nil
}

// changed tells whether any of the flags is given.
func (f *strategyFlags) changed(cmd *cobra.Command) bool {
	return slices.ContainsFunc([]string{"strategies", "grouping", "beams", "power"}, cmd.Flags().Changed)
}

// tell says which combinations are left out.
func tell(cmd *cobra.Command, skipped []string) {
	for _, s := range skipped {
		fmt.Fprintf(cmd.ErrOrStderr(), "skipped: %s\n", s)
	}
}
