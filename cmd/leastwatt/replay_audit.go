package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"sync"
	"text/tabwriter"

	"github.com/spf13/cobra"

	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/server"
)

// mostUnanswered bounds the slots that wait for their plan to be audited.
const mostUnanswered = 64

// planAudit re-computes the plans of a replay as they come, as many at a time as there
// are processors. One goroutine sends slots, another takes plans.
type planAudit struct {
	server *server.Server
	truth  *trace // of the true channels; nil: those of the slots are
	stderr io.Writer
	sent   chan *pb.AuditPlanRequest // without a plan, in the order of their slots
	busy   chan struct{}             // a token for each audit at work
	done   sync.WaitGroup

	mu    sync.Mutex
	found auditSummary
}

// auditSummary is what the audits of a replay found.
type auditSummary struct {
	Plans          int      `json:"plans"`
	Agree          int      `json:"agree"`
	Disagree       int      `json:"disagree"`
	WorstRateRatio *float64 `json:"worstRateRatio,omitempty"` // delivered / target, over the true channels where they are given
}

// newPlanAudit returns the audit that the flags ask for; nil for none.
func newPlanAudit(cmd *cobra.Command, flags *replayFlags) *planAudit {
	if !flags.audit && flags.truth == "" {
		return nil
	}
	most := runtime.GOMAXPROCS(0)
	a := &planAudit{
		server: serverHere(cmd, most), stderr: cmd.ErrOrStderr(),
		sent: make(chan *pb.AuditPlanRequest, mostUnanswered), busy: make(chan struct{}, most),
	}
	if flags.truth != "" {
		a.truth = &trace{stdin: cmd.InOrStdin(), files: []string{flags.truth}, limit: flags.readLimit}
	}
	return a
}

// expect takes a slot that is about to be sent, with the number that it has in its
// file. It asks for the weights of its plan where nobody has.
func (a *planAudit) expect(ctx context.Context, slot *pb.Slot, number int64) error {
	if slot.GetOptions().GetWeights() <= pb.WeightFormat_WEIGHT_FORMAT_NONE {
		if slot.Options == nil {
			slot.Options = &pb.Options{}
		}
		slot.Options.Weights = pb.WeightFormat_WEIGHT_FORMAT_F32
	}
	req := &pb.AuditPlanRequest{Slot: slot}
	if a.truth != nil {
		really, err := a.truth.find(number)
		if err != nil {
			return err
		}
		req.TrueChannel = really.GetChannel()
	}
	select {
	case a.sent <- req:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// find returns the slot of a number, those before it left out.
func (t *trace) find(number int64) (*pb.Slot, error) {
	name := t.name
	if len(t.files) > 0 {
		name = t.files[0]
	}
	for {
		slot, err := t.next()
		switch {
		case errors.Is(err, io.EOF):
			return nil, fmt.Errorf("%s: there is no slot %d, or it is not in the order of the slots", name, number)
		case err != nil:
			return nil, err
		case slot.GetSequence() == number:
			return slot, nil
		}
	}
}

// take audits the plan of the slot that was sent first of those that wait. Where there
// are no groups to audit, the status says why.
func (a *planAudit) take(ctx context.Context, plan *pb.Plan) {
	req := <-a.sent
	if s := plan.GetStatus(); s != pb.PlanStatus_PLAN_STATUS_MET && s != pb.PlanStatus_PLAN_STATUS_SHORT {
		return
	}
	req.Plan = plan
	a.busy <- struct{}{}
	a.done.Go(func() {
		defer func() { <-a.busy }()
		found, err := a.server.Audit(ctx, req)
		if ctx.Err() == nil {
			a.count(plan.GetSequence(), found, err)
		}
	})
}

// count counts an audit, and tells what the first ones disagree with.
func (a *planAudit) count(number int64, found *pb.Audit, err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	s := &a.found
	s.Plans++
	if ratio := found.GetWorstRateRatio(); err == nil && (s.WorstRateRatio == nil || ratio < *s.WorstRateRatio) {
		s.WorstRateRatio = &ratio
	}
	if err == nil && found.GetAgrees() {
		s.Agree++
		return
	}
	s.Disagree++
	switch {
	case s.Disagree == maxShownRejections+1:
		fmt.Fprintln(a.stderr, "the audit disagrees with more plans")
	case s.Disagree > maxShownRejections:
	case err != nil:
		fmt.Fprintf(a.stderr, "slot %d: %v\n", number, auditError(err))
	default:
		fmt.Fprintf(a.stderr, "slot %d: audit: %s\n", number, found.GetFindings()[0].GetPath()+": "+findingText(found.GetFindings()[0]))
	}
}

// summary returns what was found when all audits are done.
func (a *planAudit) summary() *auditSummary {
	a.done.Wait()
	if a.truth != nil {
		a.truth.close()
	}
	return &a.found
}

func (s *auditSummary) print(out *tabwriter.Writer) {
	fmt.Fprintf(out, "audit\t%d plans: %d agree, %d disagree\n", s.Plans, s.Agree, s.Disagree)
	if s.WorstRateRatio != nil {
		fmt.Fprintf(out, "worst rate / target, audited\t%.6f\n", *s.WorstRateRatio)
	}
}
