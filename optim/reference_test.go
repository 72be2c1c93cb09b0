package optim_test

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"testing"

	"leastwatt/optim"
)

// complexRows is a complex matrix as the files under testdata store it.
type complexRows struct {
	Re, Im [][]float64
}

func (c complexRows) rows() [][]complex128 {
	out := make([][]complex128, len(c.Re))
	for k := range out {
		out[k] = make([]complex128, len(c.Re[k]))
		for m := range out[k] {
			out[k][m] = complex(c.Re[k][m], c.Im[k][m])
		}
	}
	return out
}

// readReference reads testdata/reference/name into v and fails the test when
// the file has fewer than least cases.
func readReference[T any](t tester, name string, least int) []T {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "testdata", "reference", name))
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Source string
		Cases  []T
	}
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(file.Cases) < least {
		t.Fatalf("%s: %d cases, want at least %d", name, len(file.Cases), least)
	}
	return file.Cases
}

// referenceBeams is a case of optimal_beams.json and robust.json.
type referenceBeams struct {
	Name             string
	Channel          complexRows
	NoiseW           []float64 `json:"noise_w"`
	SINR             []float64
	CSIErrorVariance []float64 `json:"csi_error_variance"`
	PowerW           float64   `json:"power_w"`
	Lambda           []float64
	AntennaPowerW    []float64 `json:"antenna_power_w"`
}

func (c *referenceBeams) channel() optim.Channel { return normalized(c.Channel.rows(), c.NoiseW) }

// errorVariance is the CSI error over the noise, nil for an exact channel.
func (c *referenceBeams) errorVariance() []float64 {
	var e []float64
	for k, v := range c.CSIErrorVariance {
		e = append(e, v/c.NoiseW[k])
	}
	return e
}

// Optima by a cone solver, polished by another method to 1e-12; computed by
// testdata/reference/optimal_beams.py.
func TestOptimalAgainstConeSolver(t *testing.T) {
	for _, c := range readReference[referenceBeams](t, "optimal_beams.json", 14) {
		t.Run(c.Name, func(t *testing.T) {
			h := c.channel()
			r := mustSolve(t, h, c.SINR)
			near(t, "power", r.PowerW, c.PowerW, 1e-9)
			near(t, "dual", r.DualW, c.PowerW, 1e-9)
			near(t, "lower bound", r.LowerBoundW, c.PowerW, 1e-6)
			if r.LowerBoundW > c.PowerW*(1+1e-10) {
				t.Errorf("lower bound %.15g above the optimum %.15g", r.LowerBoundW, c.PowerW)
			}
			for k, want := range c.Lambda {
				near(t, "lambda", r.Lambda[k], want, 1e-6)
			}
			for m, got := range antennaPowers(h, &r.Beams) {
				if math.Abs(got-c.AntennaPowerW[m]) > 1e-6*c.PowerW {
					t.Errorf("antenna %d: %.9g W, want %.9g W", m, got, c.AntennaPowerW[m])
				}
			}
			checkSINR(t, h, &r.Beams, c.SINR, nil)
		})
	}
}

// Optima with estimation error as extra noise, by a cone solver; computed by
// testdata/reference/robust.py.
func TestOptimalWithErrorAgainstConeSolver(t *testing.T) {
	for _, c := range readReference[referenceBeams](t, "robust.json", 4) {
		t.Run(c.Name, func(t *testing.T) {
			h := c.channel()
			p := optim.Problem{Gram: gramOf(h), SINR: c.SINR, ErrorVariance: c.errorVariance()}
			r := solve(p)
			if r.Status != optim.Solved {
				t.Fatal(r.Status)
			}
			near(t, "power", r.PowerW, c.PowerW, 1e-9)
			near(t, "dual", r.DualW, c.PowerW, 1e-9)
			for m, got := range antennaPowers(h, &r.Beams) {
				if math.Abs(got-c.AntennaPowerW[m]) > 1e-6*c.PowerW {
					t.Errorf("antenna %d: %.9g W, want %.9g W", m, got, c.AntennaPowerW[m])
				}
			}
			checkSINR(t, h, &r.Beams, c.SINR, p.ErrorVariance)
			// The error-free optimum is less, and the whole of the difference
			// is the error: without it the reference is missed.
			if exact := mustSolve(t, h, c.SINR); exact.PowerW > c.PowerW*(1-1e-4) {
				t.Errorf("the error makes no difference: %.9g and %.9g W", exact.PowerW, c.PowerW)
			}
		})
	}
}

// Rates of a group split over subbands, against a general nonlinear solver from
// many starts and, for two users on two subbands, all splits of a grid of 101 x 101;
// computed by testdata/reference/subbands.py.
func TestRateSplitAgainstReference(t *testing.T) {
	grids := 0
	for _, c := range readReference[struct {
		Name     string
		Subbands int
		Channel  []complexRows
		NoiseW   []float64 `json:"noise_w"`
		RateNat  []float64 `json:"rate_nat"`
		PowerW   float64   `json:"power_w"`
		GridW    float64   `json:"grid_power_w"`
	}](t, "subbands.json", 8) {
		t.Run(c.Name, func(t *testing.T) {
			var grams []*optim.Gram
			for _, h := range c.Channel {
				noise := make([]float64, len(c.NoiseW))
				for k, n := range c.NoiseW {
					noise[k] = n / float64(c.Subbands)
				}
				grams = append(grams, gramOf(normalized(h.rows(), noise)))
			}
			var o optim.Optimal
			var ws optim.Workspace
			var r optim.Result
			sinr := make([]float64, len(c.RateNat))
			p := optim.SplitProblem{
				Users: len(c.RateNat), Subbands: c.Subbands, Rate: c.RateNat,
				Power: func(rate, slope []float64) float64 {
					total := 0.0
					for f, g := range grams {
						for k := range sinr {
							sinr[k] = math.Expm1(rate[k*c.Subbands+f])
						}
						if o.Solve(&optim.Problem{Gram: g, SINR: sinr}, &ws, &r) != optim.Solved {
							return math.Inf(1)
						}
						total += r.PowerW
						for k, v := range r.SlopeRate {
							slope[k*c.Subbands+f] = v
						}
					}
					return total
				},
			}
			var split optim.SplitResult
			if s := (optim.RateSplit{}).Solve(&p, &split); s != optim.Solved {
				t.Fatal(s)
			}
			near(t, "power", split.PowerW, c.PowerW, 1e-6)
			if c.GridW > 0 {
				grids++
				// No point of the grid is better, and the nearest is close.
				if split.PowerW > c.GridW*(1+1e-9) || split.PowerW < c.GridW*0.99 {
					t.Errorf("%.9g W, on the grid %.9g W", split.PowerW, c.GridW)
				}
			}
			for k, want := range c.RateNat {
				near(t, "mean rate", sum(split.Rate[k*c.Subbands:(k+1)*c.Subbands])/float64(c.Subbands), want, 1e-9)
			}
		})
	}
	if grids < 4 {
		t.Errorf("%d cases with a grid", grids)
	}
}

// checkSINR re-computes every SINR from the weights.
func checkSINR(t tester, h optim.Channel, b *optim.Beams, sinr, errorVariance []float64) {
	t.Helper()
	w := make([]complex128, h.Users*h.Antennas)
	b.Weights(w, h)
	total := 0.0
	for _, z := range w {
		total += real(z)*real(z) + imag(z)*imag(z)
	}
	for k := range h.Users {
		noise, signal := 1.0, 0.0
		if errorVariance != nil {
			noise += errorVariance[k] * total
		}
		for j := range h.Users {
			var z complex128
			for m, x := range h.User(k) {
				z += complex(real(x), -imag(x)) * w[j*h.Antennas+m]
			}
			if p := real(z)*real(z) + imag(z)*imag(z); j == k {
				signal = p
			} else {
				noise += p
			}
		}
		if !(signal >= noise*sinr[k]*(1-1e-8)) {
			t.Errorf("user %d: SINR %.9g, want %.9g", k, signal/noise, sinr[k])
		}
	}
}
