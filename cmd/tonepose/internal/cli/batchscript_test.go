package cli

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
)

// oddCall is a call with names that a shell and YAML would take for something else.
var oddCall = []string{"batch", `it's $HOME "now".csv`, "mond*y", "--rig", "#a: b\\n.yaml", "--window", "10ms", "--out", "set", "--leave-out", "--shards", "8", "--jobs", "2"}

// oddWords are what a task is to be called with: its processors are what it was given.
var oddWords = []string{"batch", `it's $HOME "now".csv`, "mond*y", "--leave-out=true", "--out", "set", "--rig", "#a: b\\n.yaml", "--window", "10ms", "--shards", "8"}

// The script for Slurm calls what was called, in the same folder.
func TestSlurmScript(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("needs sh")
	}
	dir, bin := t.TempDir(), t.TempDir()
	t.Chdir(dir)
	text := tonepose(t, append(oddCall, "--script", "slurm")...)
	for _, line := range []string{"#SBATCH --array=0-7\n", "#SBATCH --cpus-per-task=2\n", "#SBATCH --mem=400M\n", "#SBATCH --requeue\n"} {
		if !strings.Contains(text, line) {
			t.Errorf("no %q in %s", line, text)
		}
	}
	if err := os.WriteFile(filepath.Join(bin, "tonepose"), []byte("#!/bin/sh\npwd\nfor a in \"$@\"; do printf '%s\\n' \"$a\"; done\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("sh", "-s")
	cmd.Dir, cmd.Stdin = bin, strings.NewReader(text)
	cmd.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"))
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if diff := cmp.Diff(append([]string{dir}, oddWords...), strings.Split(strings.TrimSpace(string(out)), "\n")); diff != "" {
		t.Error(diff)
	}
}

// The manifest has what an indexed job needs by the Kubernetes documentation of Job and of
// its pod failure policy (from memory): FailIndex needs backoffLimitPerIndex, a policy needs
// pods that are never restarted, and names a container of theirs.
func TestKubernetesManifest(t *testing.T) {
	var job struct {
		APIVersion string `yaml:"apiVersion"`
		Kind       string
		Metadata   struct{ Name string }
		Spec       struct {
			CompletionMode       string `yaml:"completionMode"`
			Completions          int
			Parallelism          int
			BackoffLimitPerIndex int `yaml:"backoffLimitPerIndex"`
			PodFailurePolicy     struct {
				Rules []struct {
					Action      string
					OnExitCodes *struct {
						ContainerName string `yaml:"containerName"`
						Operator      string
						Values        []int
					} `yaml:"onExitCodes"`
					OnPodConditions []struct{ Type string } `yaml:"onPodConditions"`
				}
			} `yaml:"podFailurePolicy"`
			Template struct {
				Spec struct {
					RestartPolicy string `yaml:"restartPolicy"`
					Containers    []struct {
						Name, Image  string
						WorkingDir   string `yaml:"workingDir"`
						Command      []string
						Resources    map[string]map[string]string
						VolumeMounts []struct {
							Name      string
							MountPath string `yaml:"mountPath"`
						} `yaml:"volumeMounts"`
					}
					Volumes []struct {
						Name                  string
						PersistentVolumeClaim struct {
							ClaimName string `yaml:"claimName"`
						} `yaml:"persistentVolumeClaim"`
					}
				}
			}
		}
	}
	text := tonepose(t, append(oddCall, "--script", "kubernetes")...)
	if err := yaml.NewDecoder(strings.NewReader(text), yaml.Strict()).Decode(&job); err != nil {
		t.Fatalf("%v in %s", err, text)
	}
	s := &job.Spec
	if job.APIVersion != "batch/v1" || job.Kind != "Job" || job.Metadata.Name == "" || s.CompletionMode != "Indexed" || s.Completions != 8 || s.Parallelism != 8 ||
		s.BackoffLimitPerIndex == 0 || s.Template.Spec.RestartPolicy != "Never" || len(s.Template.Spec.Containers) != 1 || len(s.Template.Spec.Volumes) != 1 {
		t.Fatalf("%+v", job)
	}
	c := &s.Template.Spec.Containers[0]
	for i, word := range c.Command { // as a container gets it: $$ is one $, and no $(NAME) is left (k8s.io/api, core/v1, Container.Command)
		c.Command[i] = strings.ReplaceAll(word, "$$", "$")
		if strings.Contains(strings.ReplaceAll(word, "$$", ""), "$") {
			t.Errorf("%s has a $ that names a variable", word)
		}
	}
	if diff := cmp.Diff(append([]string{"tonepose"}, oddWords...), c.Command); diff != "" {
		t.Error(diff)
	}
	if c.Image == "" || c.Resources["requests"]["cpu"] != "2" || c.Resources["limits"]["memory"] != "400Mi" || len(c.VolumeMounts) != 1 || c.VolumeMounts[0].Name != s.Template.Spec.Volumes[0].Name {
		t.Errorf("%+v", c)
	}
	actions := map[string]bool{}
	for _, rule := range s.PodFailurePolicy.Rules {
		actions[rule.Action] = true
		if e := rule.OnExitCodes; e != nil && (e.ContainerName != c.Name || e.Operator != "In" || len(e.Values) != 1 || rule.Action != map[int]string{1: "FailIndex", 2: "FailJob"}[e.Values[0]]) {
			t.Errorf("%+v", rule)
		}
	}
	if len(actions) != 3 || !actions["Ignore"] {
		t.Errorf("%+v", s.PodFailurePolicy)
	}
}

// A text in YAML is that text, whatever is in it, of printable characters on one line (YAML 1.1,
// 5.1 and 5.4).
func TestYAMLText(t *testing.T) {
	for _, text := range []string{"a\u2028b\u2029c\u0085d", "tab\tnew\nbell\a", "\u007f\u009b", "\ufeffx", "é", `"\`} {
		var back string
		if err := yaml.Unmarshal([]byte(yamlText(text)), &back); err != nil || back != text {
			t.Errorf("%q is written %s, which reads %q, %v", text, yamlText(text), back, err)
		}
		if i := strings.IndexFunc(yamlText(text), func(r rune) bool {
			return r < ' ' || r >= 0x7f && r <= 0x9f || r == 0x2028 || r == 0x2029 || r == 0xfeff
		}); i >= 0 {
			t.Errorf("%q is written %q, with a character that is not printable at %d", text, yamlText(text), i)
		}
	}
}

// What no job can have is refused, not written otherwise.
func TestKubernetesRefusals(t *testing.T) {
	for _, c := range []struct {
		list, shards, words string
	}{{"a\xff.csv", "2", "no UTF-8"}, {"a.csv", "100001", "100000 pods at most"}} {
		var out, errs bytes.Buffer
		code := Run(t.Context(), []string{"batch", c.list, "--rig", "r.yaml", "--window", "10ms", "--out", "set", "--shards", c.shards, "--script", "kubernetes"}, Streams{Out: &out, Err: &errs})
		if code != 2 || out.Len() > 0 || !strings.Contains(errs.String(), c.words) {
			t.Errorf("exit code %d, %s: want %q", code, &errs, c.words)
		}
	}
}

func TestShardFlags(t *testing.T) {
	list := batchList(t, 1)
	for _, name := range []string{"SLURM_ARRAY_TASK_ID", "JOB_COMPLETION_INDEX"} {
		t.Setenv(name, "")
	}
	for _, c := range []struct {
		more  []string
		words string
	}{
		{[]string{"--shard", "0/4"}, "must be I/N"},
		{[]string{"--shard", "5/4"}, "must be I/N"},
		{[]string{"--shard", "3"}, "must be I/N"},
		{[]string{"--shard", "1/4", "--shards", "4"}, "exclude each other"},
		{[]string{"--shards", "4"}, "which one this is"},
		{[]string{"--script", "slurm"}, "--script needs --shards"},
		{[]string{"--script", "other", "--shards", "2"}, "slurm or kubernetes"},
	} {
		var errs bytes.Buffer
		if code := Run(t.Context(), batchArgs(list, filepath.Join(t.TempDir(), "set"), c.more...), Streams{Out: io.Discard, Err: &errs}); code != 2 || !strings.Contains(errs.String(), c.words) {
			t.Errorf("%q: exit code %d, %s: want %q", c.more, code, &errs, c.words)
		}
	}
	t.Setenv("JOB_COMPLETION_INDEX", "1")
	var errs bytes.Buffer
	out := filepath.Join(t.TempDir(), "set")
	code := Run(t.Context(), []string{"batch", list, "--rig", rigFile("pipe-bench.rig.yaml"), "--window", "10ms", "--out", out, "--shards", "2"}, Streams{Out: io.Discard, Err: &errs})
	if _, err := os.Stat(filepath.Join(out, "shards", "2-of-2.json")); code != 0 || err != nil || !strings.Contains(errs.String(), "shard 2/2 of the list, by JOB_COMPLETION_INDEX") {
		t.Errorf("exit code %d, %v: %s", code, err, &errs)
	}
}
