// Package testcert makes certificates for tests.
package testcert

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Authority vouches for certificates.
type Authority struct {
	// File holds its own certificate in PEM.
	File string

	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	dir  string
}

// New returns an authority, whose files go with the test.
func New(t testing.TB) *Authority {
	t.Helper()
	dir := t.TempDir()
	a := &Authority{File: filepath.Join(dir, "ca.pem"), dir: dir}
	template := &x509.Certificate{
		Subject:               pkix.Name{CommonName: "test authority"},
		NotBefore:             time.Now().Add(-time.Hour),
		NotAfter:              time.Now().Add(time.Hour),
		IsCA:                  true,
		BasicConstraintsValid: true,
		KeyUsage:              x509.KeyUsageCertSign,
	}
	var der []byte
	a.key, der = sign(t, template, template, nil)
	var err error
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	writePEM(t, a.File, "CERTIFICATE", der)
	return a
}

// Issue writes a certificate for 127.0.0.1 and localhost and its key to files
// NAME.pem and NAME.key beside the authority's, in place of what they held. It
// serves either end of a connection and expires after a time, which may be past.
func (a *Authority) Issue(t testing.TB, name string, expires time.Duration) (cert, key string) {
	t.Helper()
	k, der := sign(t, &x509.Certificate{
		Subject:     pkix.Name{CommonName: name},
		NotBefore:   time.Now().Add(-2 * time.Hour),
		NotAfter:    time.Now().Add(expires),
		KeyUsage:    x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		DNSNames:    []string{"localhost"},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}, a.cert, a.key)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(a.dir, name+".pem"), filepath.Join(a.dir, name+".key")
	writePEM(t, key, "PRIVATE KEY", pkcs8)
	writePEM(t, cert, "CERTIFICATE", der)
	return cert, key
}

// sign returns a new key and its certificate; a nil parentKey signs itself.
func sign(t testing.TB, template, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*ecdsa.PrivateKey, []byte) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if parentKey == nil {
		parentKey = key
	}
	if template.SerialNumber, err = rand.Int(rand.Reader, big.NewInt(1<<62)); err != nil {
		t.Fatal(err)
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, key.Public(), parentKey)
	if err != nil {
		t.Fatal(err)
	}
	return key, der
}

func writePEM(t testing.TB, name, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}
