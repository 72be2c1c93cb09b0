// Package campaign tries strategies on many slots over many workers: the same
// slots for every strategy, every plan re-computed by the audit, and every slot
// with the floor below which no scheme of transmission can go. What it finds is
// the same on any number of workers, but for the times.
package campaign
