package server

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/resolver"
	"google.golang.org/grpc/resolver/manual"

	"leastwatt/client"
)

// TestBalancing: with the service config of the deployment, sessions of one
// client go to all replicas that a name stands for in turn; without it to one.
func TestBalancing(t *testing.T) {
	config, err := os.ReadFile(filepath.Join("..", "deploy", "kubernetes", "service-config.json"))
	if err != nil {
		t.Fatal(err)
	}
	var replicas []*started
	var state resolver.State
	for range 3 {
		s := start(t, Config{Telemetry: NewTelemetry(nil)}, nil)
		replicas = append(replicas, s)
		state.Addresses = append(state.Addresses, resolver.Address{Addr: s.address})
	}
	opened := func() []float64 {
		counts := make([]float64, len(replicas))
		for i, s := range replicas {
			_, page := get(t, s.side(t, SideConfig{}), "/metrics")
			counts[i], _ = metric(t, page, "leastwatt_sessions_opened_total")
		}
		return counts
	}
	// batch opens three sessions and returns how many each replica has got, sorted.
	batch := func(options ...grpc.DialOption) func() []float64 {
		names := manual.NewBuilderWithScheme("replicas")
		names.InitialState(state)
		c, err := client.Dial("replicas:///quay", client.Config{DialOptions: append(options, grpc.WithResolvers(names))})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return func() []float64 {
			before := opened()
			for range replicas {
				session, err := c.Stream(t.Context(), client.Open{})
				if err != nil {
					t.Fatal(err)
				}
				session.Close()
			}
			after := opened()
			for i := range after {
				after[i] -= before[i]
			}
			slices.Sort(after)
			return after
		}
	}
	if got := batch()(); !slices.Equal(got, []float64{0, 0, 3}) {
		t.Errorf("without a service config: %v", got)
	}
	spread := batch(grpc.WithDefaultServiceConfig(string(config)))
	eventually(t, "all replicas are connected and get one session each", func() bool {
		return slices.Equal(spread(), []float64{1, 1, 1})
	})
}
