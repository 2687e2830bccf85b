package deploy_test

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"candlemark/agent/httpd"
	"candlemark/agent/metrics"
	"candlemark/agent/status"
)

// "password" at cost 4, the least, to be quick; made with bcrypt.GenerateFromPassword.
const hashOfPassword = "$2a$04$6ZDQxvNIaUKzK.z0ZzGpH.MFmpRwC1Ln3Dxbwq9OR1X3AgtO08k6."

// selfSigned writes a certificate for 127.0.0.1 and its key.
func selfSigned(t *testing.T, certFile, keyFile string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	cert := x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	der, err := x509.CreateCertificate(rand.Reader, &cert, &cert, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	write(t, certFile, certPEM)
	write(t, keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}))
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(certPEM)
	return pool
}

func write(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestWebExampleAsksForThePasswordOverTLS(t *testing.T) {
	dir := t.TempDir()
	cert, key, file := filepath.Join(dir, "tls.crt"), filepath.Join(dir, "tls.key"), filepath.Join(dir, "web.yaml")
	pool := selfSigned(t, cert, key)
	example := read(t, "web/web.example.yaml")
	example = bytes.ReplaceAll(example, []byte("/etc/candlemark/tls.crt"), []byte(cert))
	example = bytes.ReplaceAll(example, []byte("/etc/candlemark/tls.key"), []byte(key))
	view := func() status.Snapshot { return status.Snapshot{} }
	server := func() *httpd.Server {
		return httpd.New(httpd.Config{Listen: "127.0.0.1:0", WebConfigFile: file}, metrics.New(view, metrics.BuildInfo{}).Handler(), view)
	}

	write(t, file, example)
	if err := server().Run(t.Context()); err == nil {
		t.Fatal("the agent serves with the example's placeholder for a password")
	}

	write(t, file, bytes.ReplaceAll(example, []byte("remote: replace-me"), []byte("remote: "+hashOfPassword)))
	s := server()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	select {
	case <-s.Ready():
	case err := <-ended:
		t.Fatal(err)
	}
	client := http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	for password, want := range map[string]int{"password": http.StatusOK, "guess": http.StatusUnauthorized, "": http.StatusUnauthorized} {
		req, err := http.NewRequest(http.MethodGet, "https://"+s.Addr()+"/metrics", nil)
		if err != nil {
			t.Fatal(err)
		}
		if password != "" {
			req.SetBasicAuth("remote", password)
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("password %q: status %d, want %d", password, resp.StatusCode, want)
		}
	}
	client.CloseIdleConnections()
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
