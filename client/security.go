package client

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// Security says how a client and its server know each other. The zero value does
// without TLS and without a token.
type Security struct {
	// TLS asks for TLS with the authorities of the system; CAFile and CertFile
	// imply it.
	TLS bool
	// CAFile holds the authorities that may vouch for the server, in PEM.
	CAFile string
	// ServerName is the name that the server's certificate must hold; empty means
	// that of the address.
	ServerName string
	// CertFile and KeyFile are what the client shows of itself, in PEM. They are
	// read for every connection.
	CertFile, KeyFile string
	// TokenFile holds the bearer token that goes with every call, on its first
	// line. It is read for every call. Without TLS it goes to this machine only.
	TokenFile string
}

// dialOptions returns what makes a connection to an address secure.
func (s Security) dialOptions(address string) ([]grpc.DialOption, error) {
	if (s.CertFile == "") != (s.KeyFile == "") {
		return nil, errors.New("client: certificate and key go together")
	}
	private := s.TLS || s.CAFile != "" || s.CertFile != ""
	if !private && s.ServerName != "" {
		return nil, errors.New("client: a server's name without TLS")
	}
	transport := insecure.NewCredentials()
	if private {
		config, err := s.tlsConfig()
		if err != nil {
			return nil, fmt.Errorf("client: %w", err)
		}
		transport = credentials.NewTLS(config)
	}
	options := []grpc.DialOption{grpc.WithTransportCredentials(transport)}
	if s.TokenFile == "" {
		return options, nil
	}
	if !private && !local(address) {
		return nil, fmt.Errorf("client: a token goes to %s with TLS only", address)
	}
	token := tokenFile{name: s.TokenFile, private: private}
	if _, err := token.read(); err != nil {
		return nil, err
	}
	return append(options, grpc.WithPerRPCCredentials(token)), nil
}

func (s Security) tlsConfig() (*tls.Config, error) {
	config := &tls.Config{ServerName: s.ServerName, MinVersion: tls.VersionTLS12}
	if s.CAFile != "" {
		pem, err := os.ReadFile(s.CAFile)
		if err != nil {
			return nil, err
		}
		config.RootCAs = x509.NewCertPool()
		if !config.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: no certificate of an authority", s.CAFile)
		}
	}
	if s.CertFile != "" {
		load := func() (*tls.Certificate, error) {
			cert, err := tls.LoadX509KeyPair(s.CertFile, s.KeyFile)
			return &cert, err
		}
		if _, err := load(); err != nil {
			return nil, err
		}
		config.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return load() }
	}
	return config, nil
}

// local reports whether an address (host:port or a target of gRPC) names this
// machine.
func local(address string) bool {
	if strings.HasPrefix(address, "unix:") || strings.HasPrefix(address, "unix-abstract:") {
		return true
	}
	address = strings.TrimPrefix(strings.TrimPrefix(address, "passthrough:///"), "dns:///")
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	return host == "localhost" || net.ParseIP(host).IsLoopback()
}

// tokenFile sends the bearer token in a file.
type tokenFile struct {
	name    string
	private bool // never without TLS
}

func (t tokenFile) read() (string, error) {
	text, err := os.ReadFile(t.name)
	if err != nil {
		return "", fmt.Errorf("client: %w", err)
	}
	line, _, _ := strings.Cut(string(text), "\n")
	if line = strings.TrimSpace(line); line == "" {
		return "", fmt.Errorf("client: %s: no token on the first line", t.name)
	}
	return line, nil
}

// GetRequestMetadata is for gRPC.
func (t tokenFile) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	token, err := t.read()
	if err != nil {
		return nil, err
	}
	return map[string]string{"authorization": "Bearer " + token}, nil
}

// RequireTransportSecurity is for gRPC.
func (t tokenFile) RequireTransportSecurity() bool { return t.private }
