package pglocal_test

import (
	"path/filepath"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"sagwatch/store/pglocal"
)

// smallDisk mounts a file system in memory of the given size.
func smallDisk(t *testing.T, size string) string {
	t.Helper()
	dir := folder(t)
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "mode=0755,size="+size); err != nil {
		t.Skipf("a full disk is made by mounting a small one, which this user may not: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, 0)) })
	return dir
}

func TestDiskFullAtFirstStart(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t, "20m")
	dir := filepath.Join(disk, "data")
	_, err := pglocal.Start(t.Context(), pglocal.Config{Dir: dir})
	require.ErrorIs(t, err, pglocal.ErrDiskFull)
	require.ErrorContains(t, err, dir)
	require.ErrorContains(t, err, "MiB free")
	require.NoDirExists(t, filepath.Join(dir, "pgdata.new"))

	// With room it works, in the same folder.
	require.NoError(t, syscall.Mount("tmpfs", disk, "tmpfs", syscall.MS_REMOUNT, "size=120m"))
	c := start(t, dir)
	require.Equal(t, "1", query(t, c.DSN(), `SELECT '1'`))
	c.Stop()
}

// The disk fills up while rows are written. What was committed is there after
// room has been made.
func TestDiskFullWhileWriting(t *testing.T) {
	t.Parallel()
	disk := smallDisk(t, "80m")
	dir := filepath.Join(disk, "data")
	c := start(t, seeded(t, dir))
	conn, err := pgx.Connect(t.Context(), c.DSN())
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), `CREATE TABLE t (n int, filler text)`)
	require.NoError(t, err)

	committed := 0
	for {
		_, err = conn.Exec(t.Context(), `INSERT INTO t SELECT $1, repeat('x', 1000) FROM generate_series(1, 500)`, committed)
		if err != nil {
			break
		}
		committed++
		require.Less(t, committed, 1000, "the disk never filled up")
	}
	t.Logf("full after %d commits: %v", committed, err)
	_ = conn.Close(t.Context())

	// Full, the server may or may not have survived; a start must say why not.
	c.Stop()
	if again, err := pglocal.Start(t.Context(), pglocal.Config{Dir: dir}); err == nil {
		again.Stop()
	} else {
		require.ErrorIs(t, err, pglocal.ErrDiskFull)
	}
	require.NoError(t, syscall.Mount("tmpfs", disk, "tmpfs", syscall.MS_REMOUNT, "size=300m"))
	c = start(t, dir)
	conn, err = pgx.Connect(t.Context(), c.DSN())
	require.NoError(t, err)
	var batches, rows int
	require.NoError(t, conn.QueryRow(t.Context(), `SELECT count(DISTINCT n), count(*) FROM t`).Scan(&batches, &rows))
	require.NoError(t, conn.Close(t.Context()))
	require.GreaterOrEqual(t, batches, committed)
	require.Equal(t, 500*batches, rows, "no batch is stored by half")
	c.Stop()
}
