package server

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
)

// reloadInterval is how often the files of credentials are looked at.
const reloadInterval = time.Second

// minTokenBytes is the length of the shortest token.
const minTokenBytes = 16

// CredentialFiles names the files of a server's credentials, all in PEM but
// Tokens. Empty names leave out what they stand for.
type CredentialFiles struct {
	Cert, Key string // certificate chain and key of the server; both or neither
	ClientCA  string // authorities whose certificates clients must show; needs Cert
	Tokens    string // one bearer token a line; blank lines and lines with # do not count
}

// Credentials say who may speak to a server, and keep what is said private. Nil
// lets everybody speak, without TLS.
//
// While the server serves, the files are looked at every second and what changed
// is loaded: certificates hold for connections made from then on, tokens for
// calls. What cannot be loaded is told in the log, and what was loaded before
// stays in force.
//
// Every call needs a token where there are tokens, except those of the health
// service, which tell nothing but whether the server is up. A call is refused by
// its headers: nothing of its body is read.
type Credentials struct {
	tls     *reloaded[tls.Config] // nil without TLS
	tokens  *reloaded[[]tokenSum] // nil without tokens
	refused atomic.Int64          // calls without a token that is known
	every   time.Duration         // how often the files are looked at
	log     *slog.Logger
}

// LoadCredentials loads the files and tells of later changes in log; nil means
// nowhere. It returns nil for no files.
func LoadCredentials(files CredentialFiles, log *slog.Logger) (*Credentials, error) {
	if (files.Cert == "") != (files.Key == "") {
		return nil, errors.New("server: certificate and key go together")
	}
	if files.ClientCA != "" && files.Cert == "" {
		return nil, errors.New("server: authorities of clients need a certificate of the server")
	}
	if files == (CredentialFiles{}) {
		return nil, nil
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	c := &Credentials{every: reloadInterval, log: log}
	if files.Cert != "" {
		names := []string{files.Cert, files.Key}
		if files.ClientCA != "" {
			names = append(names, files.ClientCA)
		}
		c.tls = &reloaded[tls.Config]{files: names, parse: parseTLS}
		if _, err := c.tls.load(); err != nil {
			return nil, err
		}
	}
	if files.Tokens != "" {
		c.tokens = &reloaded[[]tokenSum]{files: []string{files.Tokens}, parse: parseTokens}
		if _, err := c.tokens.load(); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// hasTLS reports whether connections are private.
func (c *Credentials) hasTLS() bool { return c != nil && c.tls != nil }

// serverOptions returns what makes a server of gRPC ask for the credentials.
func (c *Credentials) serverOptions() []grpc.ServerOption {
	var options []grpc.ServerOption
	if c.hasTLS() {
		options = append(options, grpc.Creds(credentials.NewTLS(&tls.Config{
			GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) { return c.tls.value.Load(), nil },
		})))
	}
	return options
}

// watch looks at the files until the context ends; the function it returns waits
// for that.
func (c *Credentials) watch(ctx context.Context) (wait func()) {
	if c == nil {
		return func() {}
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(c.every)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				c.reload()
			case <-ctx.Done():
				return
			}
		}
	}()
	return func() { <-done }
}

// reload loads what has changed and says so.
func (c *Credentials) reload() {
	if c.tls != nil {
		c.tls.reload(c.log, "certificates")
	}
	if c.tokens != nil {
		c.tokens.reload(c.log, "tokens")
	}
}

// expiry returns when the server's certificate expires; zero without one.
func (c *Credentials) expiry() time.Time {
	if !c.hasTLS() {
		return time.Time{}
	}
	return c.tls.value.Load().Certificates[0].Leaf.NotAfter
}

// reloaded is what files hold, parsed; the last that could be parsed stays.
type reloaded[T any] struct {
	files []string
	parse func(contents [][]byte) (*T, error) // its errors quote no secret

	value atomic.Pointer[T]
	sum   [sha256.Size]byte // of the contents that value is from
	told  string            // the error last told
}

// load parses the files where they have changed. It must not run twice at once.
func (r *reloaded[T]) load() (changed bool, err error) {
	contents := make([][]byte, len(r.files))
	hash := sha256.New()
	for i, name := range r.files {
		if contents[i], err = os.ReadFile(name); err != nil {
			return false, fmt.Errorf("server: %w", err)
		}
		fmt.Fprintf(hash, "%d ", len(contents[i]))
		hash.Write(contents[i])
	}
	sum := [sha256.Size]byte(hash.Sum(nil))
	if r.value.Load() != nil && sum == r.sum {
		return false, nil
	}
	value, err := r.parse(contents)
	if err != nil {
		return false, fmt.Errorf("server: %s: %w", strings.Join(r.files, ", "), err)
	}
	r.value.Store(value)
	r.sum = sum
	return true, nil
}

// reload is load with what happens told once.
func (r *reloaded[T]) reload(log *slog.Logger, what string) {
	changed, err := r.load()
	switch {
	case err == nil:
		r.told = ""
	case err.Error() != r.told:
		r.told = err.Error()
		log.Error("reload failed, what was loaded before stays in force", "what", what, "error", err)
	}
	if changed {
		log.Info("reloaded", "what", what)
	}
}

// parseTLS takes a certificate chain, its key and, where there is a third, the
// authorities of clients.
func parseTLS(contents [][]byte) (*tls.Config, error) {
	cert, err := tls.X509KeyPair(contents[0], contents[1])
	if err != nil {
		return nil, err
	}
	config := &tls.Config{
		Certificates: []tls.Certificate{cert},
		MinVersion:   tls.VersionTLS12,
		// A ticket would let a client in by what it showed before a reload.
		SessionTicketsDisabled: true,
	}
	if len(contents) > 2 {
		config.ClientAuth = tls.RequireAndVerifyClientCert
		config.ClientCAs = x509.NewCertPool()
		if !config.ClientCAs.AppendCertsFromPEM(contents[2]) {
			return nil, errors.New("no certificate of an authority")
		}
	}
	return config, nil
}

// tokenSum is the hash of a token: hashes have one length, and so comparing them
// tells nothing of that of the token.
type tokenSum [sha256.Size]byte

// parseTokens takes the lines of a file.
func parseTokens(contents [][]byte) (*[]tokenSum, error) {
	var sums []tokenSum
	for i, line := range bytes.Split(contents[0], []byte("\n")) {
		line = bytes.TrimSpace(line)
		switch {
		case len(line) == 0 || line[0] == '#':
			continue
		case len(line) < minTokenBytes || bytes.ContainsAny(line, " \t"):
			return nil, fmt.Errorf("line %d: a token has at least %d characters and no blanks", i+1, minTokenBytes)
		}
		sums = append(sums, sha256.Sum256(line))
	}
	if len(sums) == 0 {
		return nil, errors.New("no tokens")
	}
	return &sums, nil
}

// openToAll reports whether a method needs no token.
func openToAll(method string) bool {
	return strings.HasPrefix(method, "/"+healthpb.Health_ServiceDesc.ServiceName+"/")
}

// allow compares the token in a call's header with all that are known, in a time
// that tells nothing of them.
func (c *Credentials) allow(header metadata.MD, method string) error {
	if c == nil || c.tokens == nil || openToAll(method) {
		return nil
	}
	known := 0
	if values := header.Get("authorization"); len(values) == 1 {
		if scheme, token, _ := strings.Cut(values[0], " "); strings.EqualFold(scheme, "bearer") {
			sum := sha256.Sum256([]byte(token))
			for _, t := range *c.tokens.value.Load() {
				known |= subtle.ConstantTimeCompare(sum[:], t[:])
			}
		}
	}
	if known == 0 {
		c.refused.Add(1)
		return errToken
	}
	return nil
}

// loopback reports whether only this machine can reach an address.
func loopback(addr net.Addr) bool {
	tcp, ok := addr.(*net.TCPAddr)
	return !ok || tcp.IP.IsLoopback()
}
