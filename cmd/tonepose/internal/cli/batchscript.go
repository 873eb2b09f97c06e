package cli

import (
	"fmt"
	"io"
	"os"
	"strings"
	"unicode/utf8"

	"github.com/spf13/pflag"

	"tonepose/cmd/tonepose/internal/present"
)

// batchScript is a batch as a scheduler's job: tasks that each do their part of the list.
type batchScript struct {
	shards int
	jobs   int      // recordings side by side in each task, and its processors
	dir    string   // where the command is to run, for Slurm
	words  []string // of the command line, without what the scheduler tells
}

// Memory that a recording being solved takes, generously, and what a process takes besides
// [MiB]: see the chapter on many recordings.
const (
	memoryOfJob = 150
	memoryElse  = 100
)

// newBatchScript makes a script of the call at hand: what the scheduler tells is left out.
func newBatchScript(f *pflag.FlagSet, from []string, o *batchOptions) (*batchScript, error) {
	dir, err := os.Getwd()
	s := &batchScript{shards: max(o.shards, 1), jobs: max(o.Jobs, 1), dir: dir, words: append([]string{"tonepose", "batch"}, from...)}
	f.Visit(func(f *pflag.Flag) {
		switch {
		case f.Name == "script" || f.Name == "jobs" || f.Name == "shards":
		case f.Value.Type() == "bool":
			s.words = append(s.words, "--"+f.Name+"="+f.Value.String())
		default:
			s.words = append(s.words, "--"+f.Name, f.Value.String())
		}
	})
	s.words = append(s.words, "--shards", fmt.Sprint(s.shards))
	return s, err
}

func (s *batchScript) memory() int { return memoryElse + memoryOfJob*s.jobs }

// slurm writes a script for sbatch.
func (s *batchScript) slurm(w io.Writer) error {
	line := make([]string, len(s.words))
	for i, word := range s.words {
		line[i] = present.Quoted(word)
	}
	_, err := fmt.Fprintf(w, `#!/bin/sh
#SBATCH --job-name=tonepose
#SBATCH --array=0-%d
#SBATCH --cpus-per-task=%d
#SBATCH --mem=%dM
#SBATCH --requeue
#SBATCH --open-mode=append
# A task that failed or was lost is run again by sbatch --array=NUMBER with this file; what
# is finished is passed over. Exit code 1: some recordings failed; 2: the call, the list or a
# rig is wrong.
cd %s || exit 2
exec %s
`, s.shards-1, s.jobs, s.memory(), present.Quoted(s.dir), strings.Join(line, " "))
	return err
}

// kubernetes writes the manifest of an indexed job. A pod that is lost is made anew; an index
// whose recordings failed is not, and a wrong call ends the job.
func (s *batchScript) kubernetes(w io.Writer) error {
	if s.shards > mostPods {
		return fmt.Errorf("--shards %d: a Kubernetes job has %d pods at most: make larger shards", s.shards, mostPods)
	}
	var words strings.Builder
	for _, word := range s.words {
		if !utf8.ValidString(word) {
			return fmt.Errorf("%q: is no UTF-8, as a manifest must be: give it another name", word)
		}
		// Kubernetes takes $(NAME) for a variable, and $$ for one $.
		fmt.Fprintf(&words, "\n        - %s", yamlText(strings.ReplaceAll(word, "$", "$$")))
	}
	_, err := fmt.Fprintf(w, `# Fill in IMAGE, which has tonepose, and CLAIM, the volume with recordings and rig: names of
# files are below /data, where it is mounted. The volume must be writable by all pods.
apiVersion: batch/v1
kind: Job
metadata:
  name: tonepose
spec:
  completionMode: Indexed
  completions: %d
  parallelism: %d
  backoffLimitPerIndex: 3
  podFailurePolicy:
    rules:
    - action: FailJob # the call, the list or a rig is wrong
      onExitCodes:
        containerName: batch
        operator: In
        values: [2]
    - action: FailIndex # some recordings failed, the others are solved
      onExitCodes:
        containerName: batch
        operator: In
        values: [1]
    - action: Ignore # the pod was moved away
      onPodConditions:
      - type: DisruptionTarget
  template:
    spec:
      restartPolicy: Never
      containers:
      - name: batch
        image: IMAGE
        workingDir: /data
        command:%s
        resources:
          requests: {cpu: "%d", memory: %dMi}
          limits: {cpu: "%d", memory: %dMi}
        volumeMounts:
        - {name: data, mountPath: /data}
      volumes:
      - name: data
        persistentVolumeClaim: {claimName: CLAIM}
`, s.shards, s.shards, words.String(), s.jobs, s.memory(), s.jobs, s.memory())
	return err
}

// mostPods is how many completions a job may have without a limit of those that fail (k8s.io/api,
// batch/v1, JobSpec.MaxFailedIndexes).
const mostPods = 100_000

// yamlText is a text in YAML's double quotes, with what YAML does not take for printable, or takes
// for the end of a line, as escapes (YAML 1.1, 5.1 and 5.4).
func yamlText(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range text {
		switch {
		case r == '"' || r == '\\':
			b.WriteRune('\\')
			b.WriteRune(r)
		case r < ' ' || 0x7f <= r && r < 0xa0 || r == 0x2028 || r == 0x2029 || r == 0xfeff || r == 0xfffe || r == 0xffff:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
