package announce

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// secretMax bounds what is read of a secret's file, in bytes.
const secretMax = 4096

// readSecret reads a one-line secret; what names it in an error. A line end after it is not
// part of it.
func readSecret(what, path string) (string, error) {
	lines, err := readSecrets(what, path)
	if err != nil {
		return "", err
	}
	if len(lines) > 1 {
		return "", fmt.Errorf("%s %s is not one line of at most %d bytes", what, path, secretMax)
	}
	return lines[0], nil
}

// readSecrets reads a file of secrets, one a line. A bare name is that of a systemd
// credential, where the service manager has laid some.
func readSecrets(what, path string) ([]string, error) {
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" && filepath.Base(path) == path {
		path = filepath.Join(dir, path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, secretMax+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	s := strings.TrimRight(string(b), "\r\n")
	switch {
	case s == "":
		return nil, fmt.Errorf("%s %s is empty: write the secret on its first line", what, path)
	case len(b) > secretMax:
		return nil, fmt.Errorf("%s %s is longer than %d bytes", what, path, secretMax)
	}
	return strings.Split(strings.ReplaceAll(s, "\r\n", "\n"), "\n"), nil
}

// tlsConfig verifies the other end by the system's authorities or those of caFile; who names
// the path in an error. certFile and keyFile are our own certificate, "" for none.
func tlsConfig(who, host, caFile, certFile, keyFile string) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: host}
	if caFile != "" {
		pem, err := os.ReadFile(caFile)
		if err != nil {
			return nil, fmt.Errorf("%s: CA file: %w", who, err)
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: CA file %s holds no PEM certificate", who, caFile)
		}
	}
	if certFile != "" && keyFile != "" {
		pair, err := tls.LoadX509KeyPair(certFile, keyFile)
		if err != nil {
			return nil, fmt.Errorf("%s: client certificate: %w", who, err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}
