package page

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"mime/multipart"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/finish"
	"nightcell/daemon/late"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/report"
	"nightcell/daemon/report/accountsheet"
	"nightcell/daemon/snapshot"
)

// checklist reads how the run of an act stands.
func (p *Page) checklist(a *asking) (*finish.Subject, []finish.Item, error) {
	if a.run.dir == "" {
		return nil, nil, control.Refuse("%s has no run yet to finish", sentence.Name(a.cell.Name))
	}
	s, err := finish.Read(a.run.dir)
	if err != nil {
		return nil, nil, err
	}
	return s, s.Items(), nil
}

// askItem shows the checklist with one item unfolded: the one that is asked for, else the first that is open.
func (p *Page) askItem(_ context.Context, a *asking, v *askView) error {
	_, items, err := p.checklist(a)
	if err != nil {
		return err
	}
	v.Items, v.Complete = items, finish.Complete(items)
	v.MayHold, v.MayOff = a.run.live && a.cell.May.Hold, a.run.live && a.cell.May.Off
	v.Item = finish.Next(items)
	if i := slices.IndexFunc(items, func(i finish.Item) bool { return i.Name == a.subject }); i >= 0 {
		v.Item = &items[i]
	}
	if a.subject = ""; v.Item != nil {
		a.subject = v.Item.Name
	}
	return nil
}

// answer makes the entry that a form of the checklist is about.
func (p *Page) answer(a *asking) (*finish.Subject, control.Entry, error) {
	s, items, err := p.checklist(a)
	if err != nil {
		return nil, control.Entry{}, err
	}
	n := slices.IndexFunc(items, func(i finish.Item) bool { return i.Name == a.subject })
	if n < 0 {
		return nil, control.Entry{}, control.Unknown("the checklist has no %q", a.subject)
	}
	i := &items[n]
	if i.Kind.Desk { // it names a file beside the data, which is not a visitor's to choose
		return nil, control.Entry{}, control.BadRequest("a %s is not entered with the checklist; use its own form", i.Kind.Name)
	}
	values := fieldsOf(i.Kind, a.form)
	if a.form.Get("choice") != finish.HandOver && i.Choices != nil || i.Kind.Name == control.EntryChecklist {
		values = nil
	}
	e, err := i.Answer(a.form.Get("choice"), values, strings.TrimSpace(a.form.Get("text")))
	e.By, e.Certain = a.who, a.form.Get("certain") != ""
	return s, e, err
}

func (p *Page) doItem(ctx context.Context, a *asking, trial bool) (string, []string, error) {
	s, e, err := p.answer(a)
	if err != nil {
		return "", nil, err
	}
	e.Trial = trial
	done, err := s.Hand(ctx, p.watch(a), e, p.s.Now())
	said := strings.TrimSpace(sentence.Name(e.Kind)+" "+e.Said()) + "."
	if trial {
		done.Notes = append([]string{said}, done.Notes...)
	}
	return "Entered: " + said, done.Notes, err
}

// mostPhoto is the largest picture that is taken in.
const mostPhoto = 24 << 20

// readPhoto reads the form of a photo, which is larger than others: only a signed-in person on this site's page comes here.
func (p *Page) readPhoto(w http.ResponseWriter, r *http.Request, a *asking) error {
	if err := http.NewResponseController(w).SetReadDeadline(time.Now().Add(2 * time.Minute)); err != nil {
		p.s.Log.Debug("page: deadline", "err", err)
	}
	if err := r.ParseMultipartForm(1 << 20); err != nil {
		return control.BadRequest("the picture did not arrive complete, or has more than %d MiB", mostPhoto>>20)
	}
	if files := r.MultipartForm.File["file"]; len(files) == 1 {
		a.photo = files[0]
	}
	return nil
}

func (p *Page) doPhoto(ctx context.Context, a *asking, _ bool) (string, []string, error) {
	if a.photo == nil || a.photo.Size == 0 || !slices.Contains(late.Pictures, strings.ToLower(filepath.Ext(a.photo.Filename))) {
		return "", nil, control.BadRequest("choose a picture: a file that ends in %s", strings.Join(late.Pictures, ", "))
	}
	path, err := copied(a.photo)
	if err != nil {
		return "", nil, err
	}
	done, err := p.hand(ctx, a, control.Entry{Cell: a.cell.Name, By: a.who, Kind: control.EntryPhoto, Text: strings.TrimSpace(a.form.Get("text")), Words: map[string]string{"file": path}})
	return "The photo is kept beside the log.", done.Notes, errors.Join(err, os.Remove(path))
}

// copied puts what was sent into a file of its own.
func copied(sent *multipart.FileHeader) (path string, err error) {
	from, err := sent.Open()
	if err != nil {
		return "", fmt.Errorf("reading the picture: %w", err)
	}
	defer from.Close()
	to, err := os.CreateTemp("", "nightcell-*"+strings.ToLower(filepath.Ext(sent.Filename)))
	if err != nil {
		return "", fmt.Errorf("keeping the picture: %w", err)
	}
	if _, err = io.Copy(to, from); err == nil {
		return to.Name(), to.Close()
	}
	return "", errors.Join(err, to.Close(), os.Remove(to.Name()))
}

// accountOf works out the account of the run that a request names, one at a time.
func (p *Page) accountOf(r *http.Request) (*snapshot.Cell, place, *report.Report, error) {
	c, at, err := p.placeOf(r)
	if err != nil {
		return nil, place{}, nil, err
	}
	select { // ends with the request at the latest
	case p.books <- struct{}{}:
		defer func() { <-p.books }()
	case <-r.Context().Done():
		return nil, place{}, nil, r.Context().Err()
	}
	b, err := books.Read(at.dir, nil)
	if err != nil {
		p.s.Log.Warn("page: account", "cell", c.Name, "run", at.name, "err", err)
		return nil, place{}, nil, refusal(http.StatusInternalServerError, "the account cannot be worked out; the log says why")
	}
	return c, at, accountsheet.Of(b), nil
}

// account shows what a run really did.
func (p *Page) account(w http.ResponseWriter, r *http.Request) error {
	c, at, account, err := p.accountOf(r)
	if err != nil {
		return err
	}
	body, err := account.Fragment()
	if err != nil {
		p.s.Log.Error("page: account", "err", err)
		return refusal(http.StatusInternalServerError, "the account cannot be shown; the log says why")
	}
	p.render(w, http.StatusOK, "account.html", struct {
		frameOf
		Cell, CellTitle, Run, RunText string
		Body                          template.HTML
	}{p.frameFor(r, account.Title, ""), c.Name, sentence.Name(c.Name), at.name, p.runText(at.name), body})
	return nil
}

// accountFile serves an account as a page to keep.
func (p *Page) accountFile(w http.ResponseWriter, r *http.Request) error {
	_, at, account, err := p.accountOf(r)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", at.name+".html"))
	_ = account.HTML(w) // the reader may have gone
	return nil
}

// photo serves a photo that was copied in beside the log of a run.
func (p *Page) photo(w http.ResponseWriter, r *http.Request) error {
	_, at, err := p.placeOf(r)
	if err != nil {
		return err
	}
	name := r.PathValue("photo")
	if !strings.HasPrefix(name, "photo-") || !slices.Contains(late.Pictures, filepath.Ext(name)) {
		return refusal(http.StatusNotFound, "there is no such photo")
	}
	http.ServeFileFS(w, r, os.DirFS(at.dir), name)
	return nil
}
