package server

import (
	"errors"
	"sync"

	pb "leastwatt/proto/leastwatt/v1"
)

// errStopping ends the queues of a server that stops.
var errStopping = errors.New("server: the server is stopping")

// queue holds the messages of a session from when its reader has them to when
// its handler has answered them. It bounds their number and their bytes.
type queue struct {
	window     int             // most messages
	bytes      int             // of messages: at this many, no more are read
	newestWins bool            // a slot that waits is dropped when a newer one arrives
	release    func(bytes int) // is told of messages that are held no more

	mu      sync.Mutex
	items   []item
	held    int  // messages not answered, those the handler has included
	size    int  // their bytes
	ended   bool // no more will come
	err     error
	arrived chan struct{} // holds a token when items or ended changed
	left    chan struct{} // holds a token when held or ended changed
}

// item is one message in its place.
type item struct {
	req   *pb.StreamSlotsRequest
	bytes int
	// dropped stands for a slot that gave way to a newer one; req is then nil.
	dropped *pb.DroppedSlot
}

func newQueue(window, bytes int, newestWins bool, release func(bytes int)) *queue {
	return &queue{
		window: window, bytes: bytes, newestWins: newestWins, release: release,
		arrived: make(chan struct{}, 1), left: make(chan struct{}, 1),
	}
}

// wake puts a token where there is none.
func wake(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// room waits until there is room for one more message. It reports false when the
// queue has ended.
func (q *queue) room() bool {
	for {
		q.mu.Lock()
		ended, full := q.ended, q.held >= q.window || q.size >= q.bytes
		q.mu.Unlock()
		if ended || !full {
			return !ended
		}
		<-q.left
	}
}

// put adds a message. Once the queue has ended it does nothing.
func (q *queue) put(req *pb.StreamSlotsRequest, bytes int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.ended {
		return
	}
	if slot := req.GetSlot(); slot != nil && q.newestWins {
		q.drop(slot.GetSequence())
	}
	q.items = append(q.items, item{req: req, bytes: bytes})
	q.held++
	q.size += bytes
	wake(q.arrived)
}

// drop lets the slots that wait give way to a newer one.
func (q *queue) drop(newer int64) {
	for i := range q.items {
		it := &q.items[i]
		if slot := it.req.GetSlot(); slot != nil && slot.GetSequence() < newer {
			q.size -= it.bytes
			q.release(it.bytes)
			*it = item{dropped: &pb.DroppedSlot{Sequence: slot.GetSequence(), NewerSequence: newer}}
		}
	}
}

// end says that no more messages will come, and why; the first time counts.
func (q *queue) end(err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.ended {
		return
	}
	q.ended, q.err = true, err
	wake(q.arrived)
	wake(q.left)
}

// next returns the next message, or waits for one. It reports false, with the
// error of end, when there are no more. A closed stop ends the queue with
// errStopping.
func (q *queue) next(stop <-chan struct{}) (item, bool, error) {
	for {
		select {
		case <-stop:
			q.end(errStopping)
		default:
		}
		q.mu.Lock()
		if len(q.items) > 0 {
			it := q.items[0]
			q.items[0] = item{}
			q.items = q.items[1:]
			q.mu.Unlock()
			return it, true, nil
		}
		ended, err := q.ended, q.err
		q.mu.Unlock()
		if ended {
			return item{}, false, err
		}
		select {
		case <-q.arrived:
		case <-stop:
		}
	}
}

// done says that a message has been answered.
func (q *queue) done(it item) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.held--
	q.size -= it.bytes
	q.release(it.bytes)
	wake(q.left)
}
