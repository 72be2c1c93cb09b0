package scheduler

import (
	"context"
	"math/rand/v2"
	"testing"
	"fmt"
	"math"
	"time"
)

func TestDbg(t *testing.T) {
	for _, set := range slotSets {
		fmt.Printf("%s:", set.name)
		rng := rand.New(rand.NewPCG(21, 22))
		var sum [5]float64
		var tm [5]time.Duration
		var solves [5]int64
		for range 20 {
			slot := set.draw(rng, set.users, set.antennas, set.bits)
			var p [5]float64
			for i, o := range []Options{{Grouping: "least-power"}, {Grouping: "semi-orthogonal"}, {Grouping:"together"}, {Grouping:"alone"}, {Grouping: "semi-orthogonal", Beams: "zero-forcing"}} {
				slot.Options = o
				st := time.Now()
				plan := NewEngine().Schedule(context.Background(), slot)
				tm[i] += time.Since(st)/20
				solves[i] += plan.Solves/20
				p[i] = plan.RadiatedPowerW
				sum[i] += 10*math.Log10(p[i]/p[0])/20
				if i > 0 && i < 4 && p[i] < p[0]*(1-1e-6) {
					fmt.Println("WORSE", o.Grouping, p[i]/p[0])
				}
			}
		}
		fmt.Println(sum, tm, solves)
	}
}
