package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"nightcell/drivers"
)

// The bounds of one request. A drill waits for every route, so an answer may take long.
const (
	longestBody   = 64 << 10
	longestRead   = 10 * time.Second
	longestAnswer = 5 * time.Minute
)

// Server offers an Operator on a unix socket. It answers until Close.
type Server struct {
	path   string
	server *http.Server
	once   sync.Once
	loops  sync.WaitGroup // one for each listener

	mu       sync.Mutex
	made     os.FileInfo // the socket as it was made
	listener net.Listener
	failure  error // of a loop whose listener nobody closed; read after loops
}

// Listen binds the socket at path, with mode 0600, and answers from then on. It
// replaces a socket that nobody listens on and refuses one that somebody does.
func Listen(path string, o *Operator, log *slog.Logger) (*Server, error) {
	listener, err := listen(path)
	if err != nil {
		return nil, err
	}
	s := &Server{
		path: path,
		server: &http.Server{
			Handler:           handler(o),
			ReadHeaderTimeout: longestRead,
			ReadTimeout:       longestRead,
			WriteTimeout:      longestAnswer,
			IdleTimeout:       longestRead,
			MaxHeaderBytes:    16 << 10,
			ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
		},
	}
	if err := s.serve(listener); err != nil {
		return nil, err
	}
	return s, nil
}

// serve answers on a listener that was just bound.
func (s *Server) serve(listener net.Listener) error {
	made, err := os.Lstat(s.path)
	if err != nil {
		return errors.Join(fmt.Errorf("control socket %s: %w", s.path, err), listener.Close())
	}
	s.made, s.listener = made, listener
	s.loops.Go(func() {
		err := s.server.Serve(listener) // ends with Close, or when PutBack closes the listener
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.listener == listener && !errors.Is(err, http.ErrServerClosed) {
			s.failure = err
		}
	})
	return nil
}

// PutBack binds the socket anew when it, or the directory it lies in, was removed or
// replaced, and reports whether it did. Call it only before Close.
func (s *Server) PutBack() (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if now, err := os.Lstat(s.path); err == nil && os.SameFile(now, s.made) {
		return false, nil
	}
	listener, err := listen(s.path)
	if err != nil {
		return false, err
	}
	before := s.listener
	if err := s.serve(listener); err != nil {
		return false, err
	}
	_ = before.Close() // nobody can reach it any more
	return true, nil
}

// Close stops answering: requests in progress may finish until ctx ends. The
// socket is removed, unless another daemon has put its own there. Calling it again is harmless.
func (s *Server) Close(ctx context.Context) error {
	var err error
	s.once.Do(func() {
		s.mu.Lock()
		if now, lookErr := os.Lstat(s.path); lookErr == nil && os.SameFile(now, s.made) {
			err = os.Remove(s.path)
		}
		s.mu.Unlock()
		if stopErr := s.server.Shutdown(ctx); stopErr != nil { // ctx ended first
			err = errors.Join(err, stopErr, s.server.Close())
		}
		s.loops.Wait() // ends: every listener is closed
		err = errors.Join(err, s.failure)
	})
	if err != nil {
		return fmt.Errorf("close control socket %s: %w", s.path, err)
	}
	return nil
}

// handler is the HTTP face of an Operator. Every order is a POST of one JSON
// object, and every answer is one JSON value; an error is {"error": "...", "answer": ...} with a status of 400 or above.
func handler(o *Operator) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("POST /v1/status", answer(func(ctx context.Context, _ struct{}) ([]Cell, error) { return o.Status(ctx) }))
	mux.Handle("POST /v1/alarms", answer(func(ctx context.Context, q CellOrder) ([]Alarm, error) { return o.Alarms(ctx, q.Cell) }))
	mux.Handle("POST /v1/alarm", answer(func(ctx context.Context, a AlarmOrder) (struct{}, error) { return struct{}{}, o.ChangeAlarm(ctx, a) }))
	mux.Handle("POST /v1/enter", answer(o.Enter))
	mux.Handle("POST /v1/begin", answer(o.Begin))
	mux.Handle("POST /v1/off", answer(o.Off))
	mux.Handle("POST /v1/hold", answer(o.Hold))
	mux.Handle("POST /v1/step", answer(o.Step))
	mux.Handle("POST /v1/drill", answer(o.Drill))
	return mux
}

// refused is the answer to an order that is not carried out, with what there is to say all the same.
type refused struct {
	Error  string `json:"error"`
	Answer any    `json:"answer,omitempty"`
}

// answer decodes the order, carries it out and encodes the result.
func answer[In, Out any](do func(context.Context, In) (Out, error)) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), longestAnswer-longestRead)
		defer cancel()
		var in In
		var out Out
		err := read(http.MaxBytesReader(w, r.Body, longestBody), &in)
		if err == nil {
			out, err = do(ctx, in)
		}
		if err != nil {
			reply(w, StatusOf(err), refused{err.Error(), out})
			return
		}
		reply(w, http.StatusOK, out)
	})
}

// read decodes an order and makes its texts harmless, keys included, as drivers.Plain does. The name that it is given by stands
// in the log, in notices and on the page, so one that could pass for more than a name is refused.
func read(from io.Reader, order any) error {
	var said map[string]any
	decoder := json.NewDecoder(from)
	decoder.UseNumber()
	if err := decoder.Decode(&said); err != nil {
		return BadRequest("the request cannot be read: %w", err)
	}
	if _, more := decoder.Token(); !errors.Is(more, io.EOF) {
		return BadRequest("the request cannot be read: unexpected data after the object")
	}
	data, err := json.Marshal(plain(said))
	if err == nil {
		decoder = json.NewDecoder(bytes.NewReader(data))
		decoder.DisallowUnknownFields()
		err = decoder.Decode(order)
	}
	if err != nil {
		return BadRequest("the request cannot be read: %w", err)
	}
	var as struct { // as the order has it, for a key may be written in capitals
		By string `json:"by"`
	}
	if data, err = json.Marshal(order); err == nil && json.Unmarshal(data, &as) == nil &&
		(utf8.RuneCountInString(as.By) > longestName || strings.ContainsFunc(as.By, func(r rune) bool { return !unicode.IsPrint(r) })) {
		return BadRequest("the name %q: give one of at most %d characters on one line, without control characters", as.By, longestName)
	}
	return nil
}

// longestName is that of the page's sign-in.
const longestName = 60

func reply(w http.ResponseWriter, status int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		status, data = http.StatusInternalServerError, []byte(`{"error":"the answer cannot be written as JSON"}`)
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n')) // a caller that has gone away is no news
}

// plain makes every text of what was decoded harmless.
func plain(v any) any {
	switch v := v.(type) {
	case string:
		return drivers.Plain(v)
	case []any:
		for i := range v {
			v[i] = plain(v[i])
		}
	case map[string]any:
		harmless := make(map[string]any, len(v))
		for key, x := range v {
			harmless[drivers.Plain(key)] = plain(x)
		}
		return harmless
	}
	return v
}

// longestPath is what fits into a socket address on every system (sun_path of Linux is 108 bytes, of others 104).
const longestPath = 103

// listen binds a socket at path that only its owner can use. The socket is made
// in a private directory and then moved into place, so there is no moment at which
// a stranger could connect, and what a dead daemon left behind is replaced in one step.
func listen(path string) (net.Listener, error) {
	if len(path) > longestPath {
		return nil, fmt.Errorf("control socket %s: the path is longer than %d bytes; configure a shorter one", path, longestPath)
	}
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	if err := free(path); err != nil {
		return nil, err
	}
	private, err := os.MkdirTemp(dir, ".s")
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	defer os.RemoveAll(private)
	listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(private, "s"), Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	listener.SetUnlinkOnClose(false) // it is about to have another name
	err = os.Chmod(filepath.Join(private, "s"), 0o600)
	if err == nil {
		err = os.Rename(filepath.Join(private, "s"), path)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("control socket %s: %w", path, err), listener.Close())
	}
	return listener, nil
}

// free reports why path cannot be taken: a living daemon, or something that is not a socket.
func free(path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("control socket %s: %w", path, err)
	case info.Mode().Type() != fs.ModeSocket:
		return fmt.Errorf("control socket %s: a file that is not a socket has this name; move it or configure another path", path)
	}
	conn, err := net.DialTimeout("unix", path, 2*time.Second)
	if err == nil {
		_ = conn.Close()
		return fmt.Errorf("control socket %s: another nightcell is listening there; stop it or configure another path", path)
	}
	return nil // left behind by a daemon that is gone
}
