package server

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"leastwatt/client"
	"leastwatt/internal/testcert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// guarded starts a server with credentials that are looked at again and again,
// and returns it with its log.
func guarded(t *testing.T, files CredentialFiles) (*started, *lockedBuffer) {
	t.Helper()
	log := &lockedBuffer{}
	logger := slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	c, err := LoadCredentials(files, logger)
	if err != nil {
		t.Fatal(err)
	}
	c.every = 2 * time.Millisecond
	return start(t, Config{Credentials: c, Logger: logger}, nil), log
}

func writeFile(t testing.TB, name, text string) string {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// ask makes a call on a connection of its own and returns its error.
func ask(t *testing.T, address string, security client.Security) error {
	t.Helper()
	c, err := client.Dial(address, client.Config{Security: security})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	_, err = c.Strategies(t.Context())
	return err
}

// eventually waits for what a reload changes.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); !is(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not after 30 s: %s", what)
		}
	}
}

func TestTLS(t *testing.T) {
	ours, other := testcert.New(t), testcert.New(t)
	cert, key := ours.Issue(t, "server", time.Hour)
	clientCert, clientKey := ours.Issue(t, "client", time.Hour)
	oldCert, oldKey := ours.Issue(t, "old", -time.Hour)
	strangeCert, strangeKey := other.Issue(t, "strange", time.Hour)

	plain := CredentialFiles{Cert: cert, Key: key}
	mutual := CredentialFiles{Cert: cert, Key: key, ClientCA: ours.File}
	expired := CredentialFiles{Cert: oldCert, Key: oldKey}
	for _, c := range []struct {
		name   string
		server CredentialFiles
		client client.Security
		// Piece of the error; empty where the call passes. What the server says of a
		// client's certificate need not arrive before it hangs up.
		fails string
	}{
		{"known authority", plain, client.Security{CAFile: ours.File}, ""},
		{"another name", plain, client.Security{CAFile: ours.File, ServerName: "quay"}, "valid for localhost"},
		{"wrong authority", plain, client.Security{CAFile: other.File}, "unknown authority"},
		{"the system's authorities", plain, client.Security{TLS: true}, "unknown authority"},
		{"no TLS", plain, client.Security{}, "error reading server preface"},
		{"expired", expired, client.Security{CAFile: ours.File}, "expired"},
		{"mutual", mutual, client.Security{CAFile: ours.File, CertFile: clientCert, KeyFile: clientKey}, ""},
		{"mutual, nothing shown", mutual, client.Security{CAFile: ours.File}, "Unavailable"},
		{"mutual, a stranger", mutual, client.Security{CAFile: ours.File, CertFile: strangeCert, KeyFile: strangeKey}, "Unavailable"},
		{"mutual, expired", mutual, client.Security{CAFile: ours.File, CertFile: oldCert, KeyFile: oldKey}, "Unavailable"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _ := guarded(t, c.server)
			err := ask(t, s.address, c.client)
			if c.fails == "" && err != nil || c.fails != "" && (status.Code(err) != codes.Unavailable || !strings.Contains(err.Error(), c.fails)) {
				t.Errorf("error %v, want %q", err, c.fails)
			}
		})
	}
}

// TestTLSReload: a connection outlives a reload; those made after it meet the new
// certificates, and a broken file changes nothing.
func TestTLSReload(t *testing.T) {
	ours := testcert.New(t)
	cert, key := ours.Issue(t, "server", time.Hour)
	first, firstKey := ours.Issue(t, "client", time.Hour)
	authorities := filepath.Join(t.TempDir(), "clients.pem")
	own, err := os.ReadFile(ours.File)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, authorities, string(own))
	s, log := guarded(t, CredentialFiles{Cert: cert, Key: key, ClientCA: authorities})
	security := client.Security{CAFile: ours.File, CertFile: first, KeyFile: firstKey}
	session, err := s.dial(t, client.Config{Security: security}).Stream(t.Context(), client.Open{})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	talk := func(n int64) {
		t.Helper()
		if err := session.Send(newSlot(n)); err != nil {
			t.Fatal(err)
		}
		if plan, err := session.Recv(); err != nil || plan.Status != scheduler.StatusMet {
			t.Fatalf("plan %v, %v", plan, err)
		}
	}
	talk(1)

	// No session of TLS is resumed: a ticket would outlive the authority it is from.
	pair, err := tls.LoadX509KeyPair(first, firstKey)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(own)
	cached := &tls.Config{
		RootCAs: pool, Certificates: []tls.Certificate{pair}, NextProtos: []string{"h2"},
		ClientSessionCache: tls.NewLRUClientSessionCache(0),
	}
	for range 2 {
		conn, err := tls.Dial("tcp", s.address, cached)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Read(make([]byte, 1)); err != nil { // takes tickets too
			t.Error(err)
		}
		if conn.ConnectionState().DidResume {
			t.Error("a session of TLS is resumed")
		}
		conn.Close()
	}

	before := s.config.Credentials.expiry()
	writeFile(t, cert, "no certificate")
	eventually(t, "the log tells of the broken file", func() bool { return strings.Contains(log.String(), "reload failed") })
	if err := ask(t, s.address, security); err != nil {
		t.Errorf("after a broken reload: %v", err)
	}
	ours.Issue(t, "server", 2*time.Hour)
	eventually(t, "the new certificate is in use", func() bool { return s.config.Credentials.expiry().After(before) })
	if n := strings.Count(log.String(), "reload failed"); n > 2 { // once more between key and certificate
		t.Errorf("the log tells %d times of one broken file", n)
	}
	talk(2)

	// Another authority of clients: the first client gets no new connection.
	other := testcert.New(t)
	theirs, err := os.ReadFile(other.File)
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, authorities, string(theirs))
	eventually(t, "the first client is refused", func() bool { return ask(t, s.address, security) != nil })
	second, secondKey := other.Issue(t, "client", time.Hour)
	if err := ask(t, s.address, client.Security{CAFile: ours.File, CertFile: second, KeyFile: secondKey}); err != nil {
		t.Errorf("client of the new authority: %v", err)
	}
	talk(3)
}

// Tokens of the tests.
const (
	goodToken  = "token-of-the-harness-7f3a"
	otherToken = "token-of-the-testbed-91bc"
)

// reasonOf returns the reason of an error's ErrorInfo.
func reasonOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetDomain() == errorDomain {
			return info.GetReason()
		}
	}
	return ""
}

// TestTokens: every call but those of the health service needs a known token, of
// a stream as of a single call, and the log holds none.
func TestTokens(t *testing.T) {
	dir := t.TempDir()
	known := writeFile(t, filepath.Join(dir, "known"), "# harness\n"+goodToken+"\n\n"+otherToken+"\n")
	s, log := guarded(t, CredentialFiles{Tokens: known})
	conn, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	calls := map[string]func(context.Context) error{
		"unary": func(ctx context.Context) error {
			_, err := pb.NewSlotSchedulerServiceClient(conn).ScheduleSlot(ctx, &pb.ScheduleSlotRequest{Slot: newMessage(1)})
			return err
		},
		"stream": func(ctx context.Context) error {
			stream, err := pb.NewSlotSchedulerServiceClient(conn).StreamSlots(ctx)
			if err != nil {
				return err
			}
			send(t, stream, &pb.StreamSlotsRequest{Kind: &pb.StreamSlotsRequest_Open{Open: &pb.OpenSession{}}})
			_, err = stream.Recv()
			return err
		},
		"reflection": func(ctx context.Context) error {
			stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(ctx)
			if err != nil {
				return err
			}
			if err := stream.CloseSend(); err != nil {
				return err
			}
			if _, err = stream.Recv(); status.Code(err) == codes.Unknown { // the end
				return nil
			}
			return err
		},
	}
	for _, c := range []struct {
		name   string
		values []string // of the header
		want   codes.Code
	}{
		{"first", []string{"Bearer " + goodToken}, codes.OK},
		{"second", []string{"bearer " + otherToken}, codes.OK},
		{"none", nil, codes.Unauthenticated},
		{"wrong", []string{"Bearer " + goodToken[1:]}, codes.Unauthenticated},
		{"longer", []string{"Bearer " + goodToken + "x"}, codes.Unauthenticated},
		{"empty", []string{"Bearer "}, codes.Unauthenticated},
		{"another scheme", []string{"Basic " + goodToken}, codes.Unauthenticated},
		{"bare", []string{goodToken}, codes.Unauthenticated},
		{"a comment", []string{"Bearer # harness"}, codes.Unauthenticated},
		{"two", []string{"Bearer " + goodToken, "Bearer " + goodToken}, codes.Unauthenticated},
	} {
		ctx := t.Context()
		for _, v := range c.values {
			ctx = metadata.AppendToOutgoingContext(ctx, "authorization", v)
		}
		for name, call := range calls {
			if err := call(ctx); status.Code(err) != c.want {
				t.Errorf("%s, %s: %v, want %v", c.name, name, err, c.want)
			} else if c.want != codes.OK && reasonOf(err) != reasonTokenRefused {
				t.Errorf("%s, %s: %v", c.name, name, err)
			}
		}
	}
	if _, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Errorf("health without a token: %v", err)
	}
	if n := s.config.Credentials.refused.Load(); n != 8*3 {
		t.Errorf("%d calls refused, want 24", n)
	}

	// The client sends what its file holds, and a file that changes.
	mine := writeFile(t, filepath.Join(dir, "mine"), goodToken+"\n")
	c := s.dial(t, client.Config{Security: client.Security{TokenFile: mine}})
	try := func() codes.Code {
		_, err := c.Strategies(t.Context())
		return status.Code(err)
	}
	if code := try(); code != codes.OK {
		t.Errorf("token from a file: %v", code)
	}
	const newToken, shortToken = "token-of-the-morrow-0000", "short-91bc"
	writeFile(t, known, newToken+"\n")
	eventually(t, "the old token is refused", func() bool { return try() == codes.Unauthenticated })
	writeFile(t, mine, newToken)
	if code := try(); code != codes.OK {
		t.Errorf("new token: %v", code)
	}
	writeFile(t, known, "# nothing left\n")
	eventually(t, "the log tells of the empty file", func() bool { return strings.Contains(log.String(), "no tokens") })
	writeFile(t, known, shortToken+"\n")
	eventually(t, "the log tells of the bad line", func() bool { return strings.Contains(log.String(), "line 1: a token has at least") })
	if code := try(); code != codes.OK {
		t.Errorf("after a broken reload: %v", code)
	}
	for _, secret := range []string{goodToken, otherToken, newToken, goodToken[1:], shortToken} {
		if strings.Contains(log.String(), secret) {
			t.Errorf("the log holds %q:\n%s", secret, log)
		}
	}
}

func TestLoadCredentials(t *testing.T) {
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	_, otherKey := ca.Issue(t, "other", time.Hour)
	dir := t.TempDir()
	text := func(s string) string { return writeFile(t, filepath.Join(t.TempDir(), "tokens"), s) }
	for _, c := range []struct {
		name  string
		files CredentialFiles
		says  string
	}{
		{"cert without key", CredentialFiles{Cert: cert}, "certificate and key go together"},
		{"key without cert", CredentialFiles{Key: key}, "certificate and key go together"},
		{"authorities alone", CredentialFiles{ClientCA: ca.File}, "need a certificate"},
		{"no such file", CredentialFiles{Cert: filepath.Join(dir, "none"), Key: key}, "no such file"},
		{"another's key", CredentialFiles{Cert: cert, Key: otherKey}, "private key does not match"},
		{"no authorities", CredentialFiles{Cert: cert, Key: key, ClientCA: key}, "no certificate of an authority"},
		{"no tokens", CredentialFiles{Tokens: text("\n#\n")}, "no tokens"},
		{"short token", CredentialFiles{Tokens: text("0123456789abcde")}, "line 1: a token has at least 16"},
		{"blank in a token", CredentialFiles{Tokens: text("# x\n0123456789 abcdefg")}, "line 2: a token has"},
		{"no such tokens", CredentialFiles{Tokens: filepath.Join(dir, "none")}, "no such file"},
	} {
		if _, err := LoadCredentials(c.files, nil); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
	}
	if c, err := LoadCredentials(CredentialFiles{}, nil); c != nil || err != nil {
		t.Errorf("no files: %v, %v", c, err)
	}
}

// TestCheckAddressGuarded: TLS opens other addresses than loopback; tokens alone
// do not.
func TestCheckAddressGuarded(t *testing.T) {
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "server", time.Hour)
	tokens := writeFile(t, filepath.Join(t.TempDir(), "t"), goodToken)
	for _, c := range []struct {
		files CredentialFiles
		pass  bool
	}{
		{CredentialFiles{Cert: cert, Key: key}, true},
		{CredentialFiles{Cert: cert, Key: key, Tokens: tokens}, true},
		{CredentialFiles{Tokens: tokens}, false},
	} {
		credentials, err := LoadCredentials(c.files, nil)
		if err != nil {
			t.Fatal(err)
		}
		addr := &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1)}
		if err := New(Config{Credentials: credentials}).CheckAddress(addr); (err == nil) != c.pass {
			t.Errorf("%+v: %v", c.files, err)
		}
	}
}

// TestClientSecurity: what a client refuses before it says a word.
func TestClientSecurity(t *testing.T) {
	ca := testcert.New(t)
	cert, key := ca.Issue(t, "client", time.Hour)
	token := writeFile(t, filepath.Join(t.TempDir(), "t"), goodToken)
	for _, c := range []struct {
		name     string
		address  string
		security client.Security
		says     string // empty where it dials
	}{
		{"token in the open", "192.0.2.1:7171", client.Security{TokenFile: token}, "with TLS only"},
		{"token by a name", "dns:///quay:7171", client.Security{TokenFile: token}, "with TLS only"},
		{"token to this machine", "127.0.0.1:7171", client.Security{TokenFile: token}, ""},
		{"token to a socket", "unix:quay", client.Security{TokenFile: token}, ""},
		{"token with TLS", "192.0.2.1:7171", client.Security{TokenFile: token, TLS: true}, ""},
		{"no token", "127.0.0.1:7171", client.Security{TokenFile: writeFile(t, filepath.Join(t.TempDir(), "t"), " \n")}, "no token on the first line"},
		{"name without TLS", "127.0.0.1:7171", client.Security{ServerName: "quay"}, "a server's name without TLS"},
		{"cert without key", "127.0.0.1:7171", client.Security{CertFile: cert}, "certificate and key go together"},
		{"no authorities", "127.0.0.1:7171", client.Security{CAFile: key}, "no certificate of an authority"},
		{"no such key", "127.0.0.1:7171", client.Security{CertFile: cert, KeyFile: key + "x"}, "no such file"},
	} {
		cl, err := client.Dial(c.address, client.Config{Security: c.security})
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
		if cl != nil {
			cl.Close()
		}
	}
	// gRPC itself sends a private token over no plaintext connection.
	_, err := client.Dial("127.0.0.1:7171", client.Config{
		Security:    client.Security{TokenFile: token, TLS: true},
		DialOptions: []grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())},
	})
	if err == nil || !strings.Contains(err.Error(), "transport") {
		t.Errorf("a token that needs TLS over plaintext: %v", err)
	}
}
