package main

import (
	"bytes"
	"hash/crc32"
	"os"
	"path/filepath"
	"regexp"
	"strconv"

	"github.com/rogpeppe/go-internal/testscript"
)

// forge changes a figure in the last checkpoint of the newest run and seals the line anew, as
// whoever has read the description of the log can: forge DATA FIGURE VALUE.
func forge(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: forge DATA FIGURE VALUE")
	}
	logs, err := filepath.Glob(ts.MkAbs(args[0]) + "/runs/*/*/log.lp") // sorted, and so by time
	ts.Check(err)
	path := logs[len(logs)-1]
	log, err := os.ReadFile(path)
	ts.Check(err)
	from := bytes.LastIndex(log, []byte("\ncheckpoint,")) + 1
	length := bytes.IndexByte(log[from:], '\n')
	line := log[from : from+length]
	seal := bytes.LastIndex(line, []byte(",line_crc="))
	stamp := line[bytes.LastIndexByte(line, ' ')+1:]
	body := regexp.MustCompile(`,`+args[1]+`=[^,]+`).ReplaceAll(line[:seal], []byte(","+args[1]+"="+args[2]))
	castagnoli := crc32.MakeTable(crc32.Castagnoli)
	sum := crc32.Update(crc32.Checksum(body, castagnoli), castagnoli, stamp)
	var out bytes.Buffer
	out.Write(log[:from])
	out.Write(body)
	out.WriteString(",line_crc=" + strconv.FormatUint(uint64(sum), 10) + "i ")
	out.Write(stamp)
	out.Write(log[from+length:])
	ts.Check(os.WriteFile(path, out.Bytes(), 0o600))
}
