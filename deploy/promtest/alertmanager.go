package promtest

import (
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"testing"
	"time"
)

// Alertmanager is a running Alertmanager that keeps what it is told and, unless its
// configuration says otherwise, tells nobody.
type Alertmanager struct {
	URL string // as the agent's configuration and Config.AlertmanagerURL take it
}

// StartAlertmanager starts an Alertmanager and waits until it is ready.
func StartAlertmanager(t testing.TB) *Alertmanager {
	t.Helper()
	return StartAlertmanagerWith(t, "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n")
}

// StartAlertmanagerWith is StartAlertmanager with a configuration of the test's own.
func StartAlertmanagerWith(t testing.TB, config string) *Alertmanager {
	t.Helper()
	program := Need(t, "prometheus-alertmanager", "prometheus-alertmanager")
	dir := t.TempDir()
	file := filepath.Join(dir, "alertmanager.yaml")
	writeFile(t, file, []byte(config))
	address, _ := run(t, program,
		"--config.file="+file,
		"--storage.path="+filepath.Join(dir, "data"),
		"--web.listen-address=127.0.0.1:0",
		"--cluster.listen-address=", // one alone
	)
	a := &Alertmanager{URL: "http://" + address}
	waitFor(t, "alertmanager to be ready", func() bool { return isOK(a.URL + "/-/ready") })
	return a
}

// Received is an alert as Alertmanager holds it.
type Received struct {
	Labels, Annotations map[string]string
	StartsAt, EndsAt    time.Time
}

// Active lists the alerts that Alertmanager holds as active.
func (a *Alertmanager) Active(t testing.TB) []Received {
	t.Helper()
	resp, err := http.Get(a.URL + "/api/v2/alerts?active=true")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var alerts []Received
	if err := json.NewDecoder(resp.Body).Decode(&alerts); err != nil {
		t.Fatalf("alerts of alertmanager: %v", err)
	}
	return alerts
}

// WaitFor waits until an active alert carries the label, and returns it.
func (a *Alertmanager) WaitFor(t testing.TB, label, value string) Received {
	t.Helper()
	var found Received
	waitFor(t, fmt.Sprintf("alertmanager to hold an alert with %s=%q", label, value), func() bool {
		for _, r := range a.Active(t) {
			if r.Labels[label] == value {
				found = r
				return true
			}
		}
		return false
	})
	return found
}
