//go:build cgo && !nolpsolve

package lp

/*
#cgo CFLAGS: -I/usr/include/lpsolve -I/usr/local/include/lpsolve

#include <math.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include "lp_lib.h"

// Why a solve was broken off.
enum { WHY_NONE, WHY_STOPPED, WHY_TIME, WHY_ITERATIONS };

// lw_lp is an lprec and what its abort function looks at. It lives in C memory
// from lw_new to lw_free; C keeps no pointer into Go.
typedef struct {
	lprec *lp;
	int stop;             // set by any thread
	double deadline;      // CLOCK_MONOTONIC seconds, 0 for none
	long long iterations; // limit, 0 for none
	int why;
	int *place;           // scratch of 1 + rows + columns
	int room;             // of place
	BFPint_lpintintboolbool *factorize;
} lw_lp;

static double lw_now(void) {
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

// lw_abort is asked by lp_solve before every pivot.
static int __WINAPI lw_abort(lprec *lp, void *handle) {
	lw_lp *h = handle;
	if (h->why != WHY_NONE)
		return TRUE;
	if (__atomic_load_n(&h->stop, __ATOMIC_RELAXED))
		h->why = WHY_STOPPED;
	else if (h->iterations > 0 && get_total_iter(lp) >= h->iterations)
		h->why = WHY_ITERATIONS;
	else if (h->deadline > 0 && lw_now() >= h->deadline)
		h->why = WHY_TIME;
	return h->why != WHY_NONE;
}

// lp_solve's LU code keeps static scratch variables in one of its pivoting
// modes (LU1MXR of LUSOL, under rook pivoting, to which it turns in trouble),
// and its first make_lp sets up global tables. Both are taken one at a time.
static pthread_mutex_t lw_mutex = PTHREAD_MUTEX_INITIALIZER;

static int BFP_CALLMODEL lw_factorize(lprec *lp, int uservars, int size, MYBOOL *used, MYBOOL final) {
	lw_lp *h = lp->ctrlchandle;
	pthread_mutex_lock(&lw_mutex);
	int r = h->factorize(lp, uservars, size, used, final);
	pthread_mutex_unlock(&lw_mutex);
	return r;
}

static void lw_free(lw_lp *h) {
	if (h == NULL)
		return;
	if (h->lp != NULL)
		delete_lp(h->lp);
	free(h->place);
	free(h);
}

// lw_new returns an empty program of the given rows, or NULL when out of memory.
static lw_lp *lw_new(int rows, int columns) {
	lw_lp *h = calloc(1, sizeof *h);
	if (h == NULL)
		return NULL;
	pthread_mutex_lock(&lw_mutex);
	h->lp = make_lp(rows, 0);
	pthread_mutex_unlock(&lw_mutex);
	if (h->lp == NULL || !resize_lp(h->lp, rows, columns)) {
		lw_free(h);
		return NULL;
	}
	set_verbose(h->lp, NEUTRAL);
	set_scaling(h->lp, SCALE_NONE);        // done by us
	set_presolve(h->lp, PRESOLVE_NONE, 0); // it would drop rows of a program that is kept
	set_anti_degen(h->lp, ANTIDEGEN_NONE); // it perturbs by rand()
	put_abortfunc(h->lp, lw_abort, h);
	h->factorize = h->lp->bfp_factorize;
	h->lp->bfp_factorize = lw_factorize;
	return h;
}

static double lw_bound(double v) { return isinf(v) ? copysign(DEF_INFINITE, v) : v; }

// lw_set_row sets the bounds of a row. Like the functions below it returns 0
// when lp_solve refuses.
static int lw_set_row(lw_lp *h, int row, double lower, double upper) {
	lower = lw_bound(lower);
	upper = lw_bound(upper);
	if (lower == upper)
		return set_constr_type(h->lp, row, EQ) && set_rh(h->lp, row, lower);
	if (upper >= DEF_INFINITE && lower > -DEF_INFINITE)
		return set_constr_type(h->lp, row, GE) && set_rh(h->lp, row, lower);
	return set_constr_type(h->lp, row, LE) && set_rh(h->lp, row, upper) &&
		(lower <= -DEF_INFINITE || set_rh_range(h->lp, row, upper - lower));
}

static int lw_set_bounds(lw_lp *h, int col, double lower, double upper) {
	return set_bounds(h->lp, col, lw_bound(lower), lw_bound(upper));
}

// lw_add_column adds a column; rownr[0] is 0, the objective.
static int lw_add_column(lw_lp *h, int count, double *value, int *rownr, double lower, double upper) {
	return add_columnex(h->lp, count, value, rownr) &&
		lw_set_bounds(h, get_Ncolumns(h->lp), lower, upper);
}

static int lw_add_row(lw_lp *h, int count, double *value, int *colnr, double lower, double upper) {
	return add_constraintex(h->lp, count, value, colnr, LE, 0) &&
		lw_set_row(h, get_Nrows(h->lp), lower, upper);
}

static int lw_set_cost(lw_lp *h, int col, double cost) { return set_obj(h->lp, col, cost); }

static void lw_stop(lw_lp *h) { __atomic_store_n(&h->stop, 1, __ATOMIC_RELAXED); }

// lw_arm sets the limits of the next solve.
static void lw_arm(lw_lp *h, double seconds, long long iterations) {
	h->deadline = seconds > 0 ? lw_now() + seconds : 0;
	h->iterations = iterations;
	h->why = WHY_NONE;
	__atomic_store_n(&h->stop, 0, __ATOMIC_RELAXED);
}

// lw_path chooses among ways to the optimum. Small pivots come first: power
// control near its limit has them. Phase 1 is never left to the primal simplex:
// its artificial columns crash it on degenerate programs.
static void lw_path(lw_lp *h, int attempt) {
	set_simplextype(h->lp, SIMPLEX_DUAL_PRIMAL);
	set_pivoting(h->lp, (attempt == 2 ? PRICER_DANTZIG : PRICER_DEVEX) | PRICE_ADAPTIVE);
	set_epspivot(h->lp, attempt == 0 ? 1e-9 : DEF_EPSPIVOT);
}

// lw_solve returns lp_solve's status, or LW_RESIZED if lp_solve changed the size
// of the program: its primal simplex deletes rows that it finds redundant.
enum { LW_RESIZED = 100 };

static int lw_solve(lw_lp *h) {
	int rows = get_Nrows(h->lp), columns = get_Ncolumns(h->lp);
	int status = solve(h->lp);
	return get_Nrows(h->lp) == rows && get_Ncolumns(h->lp) == columns ? status : LW_RESIZED;
}

static long long lw_iterations(lw_lp *h) { return get_total_iter(h->lp); }

static int lw_room(lw_lp *h) {
	int need = 1 + get_Nrows(h->lp) + get_Ncolumns(h->lp);
	if (need <= h->room)
		return 1;
	int *p = realloc(h->place, (size_t)need * sizeof *p);
	if (p == NULL)
		return 0;
	h->place = p;
	h->room = need;
	return 1;
}

// Values of BasisStatus.
enum { AT_LOWER, AT_UPPER, BASIC };

// lw_set_basis starts from the statuses of rows, then columns, or with NULL from
// all rows.
static int lw_set_basis(lw_lp *h, signed char *status, int rows, int columns) {
	default_basis(h->lp);
	if (status == NULL)
		return 1;
	if (!lw_room(h))
		return 0;
	int in = 1, out = 1 + rows;
	for (int k = 0; k < rows + columns; k++)
		if (status[k] == BASIC)
			h->place[in++] = -(k + 1);
		else {
			// The slack of a row is at its lower bound where the row is at
			// its right-hand side: the upper side, unless that is absent.
			int lower = status[k] != AT_UPPER;
			if (k < rows && !is_constr_type(h->lp, k + 1, GE))
				lower = !lower || is_constr_type(h->lp, k + 1, EQ);
			h->place[out++] = lower ? -(k + 1) : k + 1;
		}
	return in == 1 + rows && set_basis(h->lp, h->place, TRUE);
}

// lw_get_basis sets status to BASIC or not and row and var to the values found.
static int lw_get_basis(lw_lp *h, signed char *status, double *row, double *var, int rows, int columns) {
	if (!lw_room(h) || !get_basis(h->lp, h->place, FALSE) ||
			!get_constraints(h->lp, row) || !get_variables(h->lp, var))
		return 0;
	memset(status, AT_LOWER, rows + columns);
	for (int k = 1; k <= rows; k++)
		status[abs(h->place[k]) - 1] = BASIC;
	return 1;
}
*/
import "C"

import (
	"context"
	"math"
	"runtime"
	"time"
	"unsafe"
)

// New returns a Solver on the best backend there is: lp_solve, in this build.
// A nil set means Defaults.
func New(p *Problem, set *Settings) (Solver, error) { return NewLPSolve(p, set) }

// Backend names the backend that New uses.
func Backend() string { return "lp_solve" }

// NewLPSolve returns a Solver on lp_solve 5.5. It exists only with cgo and
// without the tag nolpsolve.
func NewLPSolve(p *Problem, set *Settings) (Solver, error) {
	return newSolver(p, set, &lpsolve{})
}

// lpsolve is the engine on lp_solve. h belongs to it: every use of h is
// followed by a runtime.KeepAlive of the engine, close frees it, and so does the
// cleanup if the owner forgot.
type lpsolve struct {
	h       *C.lw_lp
	cleanup runtime.Cleanup
	rows    int
	vars    int

	status   []C.schar // rows, then variables, as in lw_set_basis
	row      []C.double
	variable []C.double
	index    []C.int
	value    []C.double
}

func (e *lpsolve) close() {
	if e.h != nil {
		e.cleanup.Stop()
		C.lw_free(e.h)
		e.h = nil
	}
}

func freeLPSolve(h *C.lw_lp) { C.lw_free(h) }

// load replaces the program.
func (e *lpsolve) load(d *data) bool {
	e.close()
	m, n := len(d.rowLower), len(d.cost)
	e.h = C.lw_new(C.int(m), C.int(n))
	if e.h == nil {
		return false
	}
	e.cleanup = runtime.AddCleanup(e, freeLPSolve, e.h)
	e.rows, e.vars = m, 0
	ok := true
	// Types of rows come before entries: to change one turns its entries.
	for i := range m {
		ok = ok && e.setRow(d, i)
	}
	for j := range n {
		ok = ok && e.addColumn(d, j)
	}
	return ok
}

func (e *lpsolve) setRow(d *data, i int) bool {
	return C.lw_set_row(e.h, C.int(i+1), C.double(d.rowLower[i]), C.double(d.rowUpper[i])) != 0
}

func (e *lpsolve) addColumn(d *data, j int) bool {
	e.index, e.value = append(e.index[:0], 0), append(e.value[:0], C.double(d.cost[j]))
	for k, i := range d.cols[j].index {
		if i < e.rows {
			e.index = append(e.index, C.int(i+1))
			e.value = append(e.value, C.double(d.cols[j].value[k]))
		}
	}
	e.vars++
	return C.lw_add_column(e.h, C.int(len(e.index)), &e.value[0], &e.index[0],
		C.double(d.lower[j]), C.double(d.upper[j])) != 0
}

// addRow adds row i with its entries in the variables that are there already.
func (e *lpsolve) addRow(d *data, i int) bool {
	e.index, e.value = e.index[:0], e.value[:0]
	for j := range e.vars {
		for k, row := range d.cols[j].index {
			if row == i {
				e.index = append(e.index, C.int(j+1))
				e.value = append(e.value, C.double(d.cols[j].value[k]))
			}
		}
	}
	e.rows++
	return C.lw_add_row(e.h, C.int(len(e.index)), unsafe.SliceData(e.value), unsafe.SliceData(e.index),
		C.double(d.rowLower[i]), C.double(d.rowUpper[i])) != 0
}

// update replays the edits.
func (e *lpsolve) update(m *model) bool {
	d := &m.scaled
	if e.h == nil {
		return e.load(d)
	}
	for _, ed := range m.edits {
		ok := true
		i := ed.index
		switch ed.kind {
		case editAll:
			return e.load(d)
		case editRowBounds:
			ok = e.setRow(d, i)
		case editBounds:
			ok = C.lw_set_bounds(e.h, C.int(i+1), C.double(d.lower[i]), C.double(d.upper[i])) != 0
		case editCost:
			ok = C.lw_set_cost(e.h, C.int(i+1), C.double(d.cost[i])) != 0
		case editAddColumn:
			ok = e.addColumn(d, i)
		case editAddRow:
			ok = e.addRow(d, i)
		}
		if !ok {
			return e.load(d)
		}
	}
	return true
}

// relax implements engine.
func (e *lpsolve) relax(m *model, r *run, start, out *Basis, attempt int) Status {
	defer runtime.KeepAlive(e)
	if !e.update(m) || !e.setBasis(start) {
		return Numerical
	}
	C.lw_path(e.h, C.int(attempt))
	st := e.solve(r)
	if st == Optimal && !e.getBasis(&m.scaled, out) {
		return Numerical
	}
	return st
}

// solve runs lp_solve on the program as loaded, within what r has left.
func (e *lpsolve) solve(r *run) Status {
	seconds := 0.0
	if !r.deadline.IsZero() {
		seconds = max(time.Until(r.deadline).Seconds(), 1e-9)
	}
	C.lw_arm(e.h, C.double(seconds), limit(r.iterationLimit-r.iterations))
	code := e.watch(r.ctx)
	r.iterations += int(C.lw_iterations(e.h))
	why := e.h.why
	switch code {
	case C.OPTIMAL, C.ACCURACYERROR: // that is of its numbers, not of the vertex
		return Optimal
	case C.LW_RESIZED:
		e.close() // to be loaded anew
	}
	switch why {
	case C.WHY_STOPPED:
		return r.over()
	case C.WHY_TIME:
		return TimeLimit
	case C.WHY_ITERATIONS:
		return IterationLimit
	}
	return Numerical
}

// watch runs lp_solve and tells it when the context ends.
func (e *lpsolve) watch(ctx context.Context) C.int {
	if ctx.Done() == nil {
		return C.lw_solve(e.h)
	}
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		C.lw_stop(e.h)
		close(stopped)
	})
	code := C.lw_solve(e.h)
	if !stop() {
		<-stopped // it must not touch h any more
	}
	return code
}

// limit converts a limit for lw_arm.
func limit(n int) C.longlong {
	if n > math.MaxInt32 {
		return 0
	}
	return C.longlong(n)
}

func (e *lpsolve) setBasis(b *Basis) bool {
	if b == nil {
		return C.lw_set_basis(e.h, nil, C.int(e.rows), C.int(e.vars)) != 0
	}
	e.status = e.status[:0]
	for _, st := range b.Row {
		e.status = append(e.status, C.schar(st))
	}
	for _, st := range b.Variable {
		e.status = append(e.status, C.schar(st))
	}
	return C.lw_set_basis(e.h, &e.status[0], C.int(e.rows), C.int(e.vars)) != 0
}

func (e *lpsolve) getBasis(d *data, b *Basis) bool {
	e.status = resize(e.status, e.rows+e.vars)
	e.row, e.variable = resize(e.row, e.rows), resize(e.variable, e.vars)
	if C.lw_get_basis(e.h, &e.status[0], &e.row[0], &e.variable[0], C.int(e.rows), C.int(e.vars)) == 0 {
		return false
	}
	b.size(e.vars, e.rows)
	part := func(out []BasisStatus, status []C.schar, v []C.double, lower, upper []float64) {
		for k := range out {
			out[k] = Basic
			if BasisStatus(status[k]) != Basic {
				out[k] = nearer(float64(v[k]), lower[k], upper[k])
			}
		}
	}
	part(b.Row, e.status[:e.rows], e.row, d.rowLower, d.rowUpper)
	part(b.Variable, e.status[e.rows:], e.variable, d.lower, d.upper)
	return true
}

// nearer returns the status of a nonbasic value v. lp_solve's own flags depend
// on which columns and rows it has turned round.
func nearer(v, lower, upper float64) BasisStatus {
	if math.Abs(v-upper) < math.Abs(v-lower) {
		return AtUpper
	}
	return AtLower
}
