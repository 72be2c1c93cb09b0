package scheduler

// checkUnsupported refuses what this version of the engine does not honour, so
// that nothing is ignored in silence. A version that honours a field deletes its
// lines.
func (s *Slot) checkUnsupported(v *violations) {
	for g := range s.Groups {
		if len(s.Groups[g].Subbands) > 0 {
			v.unsupported(itemPath("groups", g, "subbands"), "given")
		}
	}
	s.Options.checkUnsupported(v)
}

// secondGroup refuses a user in a second group, where checkMembers finds it.
func (v *violations) secondGroup(g, i int, id string) {
	v.unsupported(memberPath(g, i), text(id)+" in a second group")
}

func (o *Options) checkUnsupported(v *violations) {
	if g := o.Resolve().Grouping; o.HysteresisDB > 0 && finite(o.HysteresisDB) && g != GroupingLeastPower {
		v.add("options.hysteresisDb", number(o.HysteresisDB), "absent with a grouping other than "+GroupingLeastPower)
	}
}

func (v *violations) unsupported(path, value string) {
	v.add(path, value, "absent: not supported by this version")
}
