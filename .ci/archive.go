// Archive writes the files of a directory to a .tar.gz or a .zip in the order of their names, all with one time and one
// owner, so that equal files make equal archives on every machine.
//
//	go run ./.ci/archive.go DIRECTORY ARCHIVE UNIX-SECONDS
package main

import (
	"archive/tar"
	"archive/zip"
	"compress/gzip"
	"io"
	"io/fs"
	"log"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

func main() {
	log.SetFlags(0)
	if len(os.Args) != 4 {
		log.Fatal("usage: archive DIRECTORY ARCHIVE UNIX-SECONDS")
	}
	seconds, err := strconv.ParseInt(os.Args[3], 10, 64)
	if err != nil {
		log.Fatal(err)
	}
	if err := write(os.Args[1], os.Args[2], time.Unix(seconds, 0).UTC()); err != nil {
		log.Fatal(err)
	}
}

func write(directory, archive string, at time.Time) error {
	out, err := os.Create(archive)
	if err != nil {
		return err
	}
	defer out.Close()
	var entry func(name string, mode fs.FileMode, size int64) (io.Writer, error)
	var ends []io.Closer
	if strings.HasSuffix(archive, ".zip") {
		z := zip.NewWriter(out)
		ends = append(ends, z)
		entry = func(name string, mode fs.FileMode, _ int64) (io.Writer, error) {
			h := &zip.FileHeader{Name: name, Method: zip.Deflate, Modified: at}
			h.SetMode(mode)
			return z.CreateHeader(h)
		}
	} else {
		g, err := gzip.NewWriterLevel(out, gzip.BestCompression)
		if err != nil {
			return err
		}
		t := tar.NewWriter(g)
		ends = append(ends, t, g)
		entry = func(name string, mode fs.FileMode, size int64) (io.Writer, error) {
			return t, t.WriteHeader(&tar.Header{Name: name, Mode: int64(mode), Size: size, ModTime: at, Typeflag: tar.TypeReg, Format: tar.FormatPAX})
		}
	}
	parent := filepath.Dir(filepath.Clean(directory))
	err = filepath.WalkDir(directory, func(path string, d fs.DirEntry, err error) error { // in the order of names
		if err != nil || d.IsDir() {
			return err
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(parent, path)
		if err != nil {
			return err
		}
		mode := fs.FileMode(0o644)
		if strings.HasPrefix(d.Name(), "tonepose") && filepath.Dir(path) == filepath.Clean(directory) {
			mode = 0o755
		}
		w, err := entry(filepath.ToSlash(name), mode, int64(len(content)))
		if err == nil {
			_, err = w.Write(content)
		}
		return err
	})
	for _, e := range ends {
		if closed := e.Close(); err == nil {
			err = closed
		}
	}
	if err == nil {
		err = out.Close()
	}
	return err
}
