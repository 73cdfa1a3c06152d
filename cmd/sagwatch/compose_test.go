package main_test

import (
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/compose-spec/compose-go/v2/cli"
	"github.com/compose-spec/compose-go/v2/types"
	"github.com/stretchr/testify/require"
)

func compose(t *testing.T, env ...string) (*types.Project, error) {
	t.Helper()
	options, err := cli.NewProjectOptions([]string{filepath.Join("..", "..", "docker-compose.yml")},
		cli.WithEnv(env), cli.WithInterpolation(true), cli.WithNormalization(true), cli.WithConsistency(true))
	require.NoError(t, err)
	return options.LoadProject(t.Context())
}

func TestCompose(t *testing.T) {
	t.Parallel()
	// No password, an empty password: refused, and the message names the variable.
	for _, env := range [][]string{nil, {"SAGWATCH_DB_PASSWORD="}} {
		_, err := compose(t, env...)
		require.ErrorContains(t, err, "SAGWATCH_DB_PASSWORD")
	}

	const password = "kR7secret"
	project, err := compose(t, "SAGWATCH_DB_PASSWORD="+password)
	require.NoError(t, err)
	require.ElementsMatch(t, []string{"sagwatch", "database"}, project.ServiceNames())
	service, err := project.GetService("sagwatch")
	require.NoError(t, err)
	database, err := project.GetService("database")
	require.NoError(t, err)

	// One port to this machine only, none to the database.
	require.Empty(t, database.Ports)
	require.Len(t, service.Ports, 1)
	require.True(t, net.ParseIP(service.Ports[0].HostIP).IsLoopback(), service.Ports[0].HostIP)
	require.Equal(t, "8048", service.Ports[0].Published)
	_, port, err := net.SplitHostPort(*service.Environment["SAGWATCH_LISTEN"])
	require.NoError(t, err)
	require.EqualValues(t, port, "8048")
	require.EqualValues(t, 8048, service.Ports[0].Target)

	// Both sides of the connection agree.
	dsn, err := url.Parse(*service.Environment["SAGWATCH_DATABASE_URL"])
	require.NoError(t, err)
	got, set := dsn.User.Password()
	require.True(t, set)
	require.Equal(t, password, got)
	require.Equal(t, password, *database.Environment["POSTGRES_PASSWORD"])
	require.Equal(t, *database.Environment["POSTGRES_USER"], dsn.User.Username())
	require.Equal(t, "/"+*database.Environment["POSTGRES_DB"], dsn.Path)
	require.Equal(t, "database:5432", dsn.Host)

	// Data survive the container, and the service waits for a database that answers.
	require.Len(t, database.Volumes, 1)
	require.Equal(t, "volume", database.Volumes[0].Type)
	require.Contains(t, project.Volumes, database.Volumes[0].Source)
	require.Equal(t, types.ServiceConditionHealthy, service.DependsOn["database"].Condition)
	for _, s := range project.Services {
		require.NotNil(t, s.HealthCheck, s.Name)
		require.NotEmpty(t, s.HealthCheck.Test, s.Name)
		require.False(t, s.Privileged, s.Name)
		require.Equal(t, "unless-stopped", s.Restart, s.Name)
		require.Greater(t, time.Duration(*s.StopGracePeriod), 10*time.Second, s.Name) // it drains for up to 10 s
	}
}

// The image must not run as root and must start what it builds.
func TestDockerfile(t *testing.T) {
	t.Parallel()
	b, err := os.ReadFile(filepath.Join("..", "..", "Dockerfile"))
	require.NoError(t, err)
	stages := regexp.MustCompile(`(?m)^FROM `).Split(string(b), -1)
	final := stages[len(stages)-1]
	var users []string
	for line := range strings.Lines(final) {
		if u, ok := strings.CutPrefix(line, "USER "); ok {
			users = append(users, strings.TrimSpace(u))
		}
	}
	require.Len(t, users, 1)
	require.NotContains(t, []string{"root", "0"}, users[0])
	require.Contains(t, final, "HEALTHCHECK ")
	require.NotRegexp(t, `(?i)password\s*=`, string(b))

	// The Go version of the image is the module's.
	mod, err := os.ReadFile(filepath.Join("..", "..", "go.mod"))
	require.NoError(t, err)
	version := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindStringSubmatch(string(mod))
	require.NotNil(t, version)
	require.Contains(t, string(b), "FROM golang:"+version[1]+"-")
}
