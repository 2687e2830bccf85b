package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"candlemark/probes/survey"
)

// surveyFile keeps surveys in a file of JSON lines, to which lines are only ever
// added. Every line is on the disk before Append returns. A line that a power cut
// tore is left where it is and skipped.
type surveyFile struct {
	path    string
	damaged int // lines that could not be read, as of the last Records
}

// maxSurveyLine is far above what a record may hold.
const maxSurveyLine = 1 << 20

// Append adds a line. Two programs may share the file: each holds it while it writes.
func (f *surveyFile) Append(r survey.Record) (err error) {
	line, err := survey.Encode(r)
	if err != nil {
		return err
	}
	_, statErr := os.Stat(f.path)
	file, err := os.OpenFile(f.path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX); err != nil {
		return fmt.Errorf("%s: lock: %w", f.path, err)
	}
	torn, err := endsTorn(file)
	if err != nil {
		return err
	}
	if torn {
		line = append([]byte{'\n'}, line...)
	}
	if _, err := file.Write(append(line, '\n')); err != nil {
		return err
	}
	if err := file.Sync(); err != nil {
		return err
	}
	if errors.Is(statErr, os.ErrNotExist) {
		return syncDir(filepath.Dir(f.path)) // or the new file may be gone after a power cut
	}
	return nil
}

// endsTorn says whether the last line has no end.
func endsTorn(file *os.File) (bool, error) {
	size, err := file.Seek(0, io.SeekEnd)
	if err != nil || size == 0 {
		return false, err
	}
	var last [1]byte
	if _, err := file.ReadAt(last[:], size-1); err != nil {
		return false, err
	}
	return last[0] != '\n', nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Records reads all lines. A file that is not there holds none.
func (f *surveyFile) Records() ([]survey.Record, error) {
	file, err := os.Open(f.path)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer file.Close()
	f.damaged = 0
	var all []survey.Record
	lines := bufio.NewScanner(file)
	lines.Buffer(make([]byte, 0, 64<<10), maxSurveyLine)
	for lines.Scan() {
		if len(bytes.TrimSpace(lines.Bytes())) == 0 {
			continue
		}
		r, err := survey.Decode(lines.Bytes())
		if err != nil {
			f.damaged++
			continue
		}
		all = append(all, r)
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", f.path, err)
	}
	return all, nil
}
