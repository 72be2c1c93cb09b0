package scheduler

import (
	"context"
	"runtime"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"leastwatt/channel/quay"
)

// quaySlot is snapshot i of the demo's quay with more users: 64 antennas, 1
// bit/s/Hz for each.
func quaySlot(seed int64, i, users int) *Slot {
	scene := quay.New(seed, quay.Crew{StraddleCarriers: users * 9 / 16, CraneCabs: users * 3 / 16, HandHelds: users / 4}, 8, 8)
	at := scene.Slot(i)
	s := &Slot{BandwidthHz: quay.BandwidthHz, Channel: Channel{Antennas: 64, Subbands: 1}}
	for k := range at.Channel {
		s.Users = append(s.Users, User{ID: scene.Users[k].ID, RateBps: quay.BandwidthHz, NoiseW: at.NoiseW[k]})
		s.Channel.Samples = append(s.Channel.Samples, at.Channel[k]...)
	}
	return s
}

// threadBudget is a context that is done when the thread has had so much of the
// processor: other load on the machine does not count.
type threadBudget struct {
	context.Context
	until time.Duration
}

func newThreadBudget(d time.Duration) threadBudget {
	return threadBudget{context.Background(), threadTime() + d}
}

func (b threadBudget) Err() error {
	if threadTime() >= b.until {
		return context.DeadlineExceeded
	}
	return nil
}

func threadTime() time.Duration {
	const thread = 3 // CLOCK_THREAD_CPUTIME_ID of clock_gettime(2)
	var t syscall.Timespec
	syscall.Syscall(syscall.SYS_CLOCK_GETTIME, thread, uintptr(unsafe.Pointer(&t)), 0)
	return time.Duration(t.Nano())
}

// BenchmarkAnytime stops least-power early at 64 antennas and 32 users and prints
// how far above its own answer without a limit it is, in dB, mean and worst.
func BenchmarkAnytime(b *testing.B) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	const seeds = 6
	var slots [seeds]*Slot
	var full [seeds]float64
	for i := range slots {
		slots[i] = quaySlot(int64(i+1), 10, 32)
		full[i] = planned(slots[i], Options{}).RadiatedPowerW
	}
	b.Run("cold/2ms", func(b *testing.B) {
		sum, worst, n := 0.0, 0.0, 0
		for b.Loop() {
			for i, slot := range slots {
				over := dB(NewEngine().Schedule(newThreadBudget(2*time.Millisecond), slot).RadiatedPowerW / full[i])
				sum, worst, n = sum+over, max(worst, over), n+1
			}
		}
		b.ReportMetric(sum/float64(n), "dB-over")
		b.ReportMetric(worst, "dB-over-worst")
	})
}
