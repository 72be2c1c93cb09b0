// Package campaign tries strategies on many slots over many workers: the same
// slots for every strategy, every plan re-computed by the audit, and every slot
// with the floor below which no scheme of transmission can go. What it finds is
// the same on any number of workers, but for the times. A sweep plans the same drops
// with one quantity at one value after the other.
//
// A file of results is UTF-8 text, a line of JSON for the Header and one for each drop
// and value, in any order. Each line is written in one piece: a writer that is killed
// leaves at most the last one torn, which Read tells of and leaves out.
package campaign
