package batch

import (
	"fmt"
	"strings"
	"testing"
)

// The variables are those of sbatch(1) for job arrays and of the Kubernetes documentation on
// indexed jobs (from memory).
func TestShardOf(t *testing.T) {
	for _, c := range []struct {
		count     int
		variables string
		want      string // shard and where from, or words of the error
	}{
		{0, "", "1/1 "},
		{0, "SLURM_ARRAY_TASK_ID=2 SLURM_ARRAY_TASK_MIN=0 SLURM_ARRAY_TASK_COUNT=8 SLURM_ARRAY_TASK_STEP=1", "3/8 SLURM_ARRAY_TASK_ID"},
		{0, "SLURM_ARRAY_TASK_ID=8 SLURM_ARRAY_TASK_MIN=1 SLURM_ARRAY_TASK_COUNT=8", "8/8 SLURM_ARRAY_TASK_ID"},
		{0, "SLURM_ARRAY_TASK_ID=6 SLURM_ARRAY_TASK_MIN=2 SLURM_ARRAY_TASK_COUNT=4 SLURM_ARRAY_TASK_STEP=2", "3/4 SLURM_ARRAY_TASK_ID"},
		{0, "SLURM_ARRAY_TASK_ID=7 SLURM_ARRAY_TASK_MIN=1 SLURM_ARRAY_TASK_COUNT=3 SLURM_ARRAY_TASK_STEP=1", "without gaps"}, // --array=1,5,7
		{0, "SLURM_ARRAY_TASK_ID=5 SLURM_ARRAY_TASK_MIN=2 SLURM_ARRAY_TASK_COUNT=4 SLURM_ARRAY_TASK_STEP=2", "without gaps"},
		{0, "SLURM_ARRAY_TASK_ID=x SLURM_ARRAY_TASK_MIN=1 SLURM_ARRAY_TASK_COUNT=3", "whole number"},
		{8, "SLURM_ARRAY_TASK_ID=5 SLURM_ARRAY_TASK_MIN=5 SLURM_ARRAY_TASK_COUNT=1", "6/8 SLURM_ARRAY_TASK_ID"}, // one of them again
		{8, "SLURM_ARRAY_TASK_ID=8 SLURM_ARRAY_TASK_MIN=8 SLURM_ARRAY_TASK_COUNT=1", "none of 8 shards"},
		{8, "JOB_COMPLETION_INDEX=0", "1/8 JOB_COMPLETION_INDEX"},
		{0, "JOB_COMPLETION_INDEX=0", "add --shards"},
		{8, "", "add --shard,"},
	} {
		variables := map[string]string{}
		for pair := range strings.FieldsSeq(c.variables) {
			name, value, _ := strings.Cut(pair, "=")
			variables[name] = value
		}
		s, from, err := ShardOf(c.count, func(name string) string { return variables[name] })
		if have := fmt.Sprint(s, " ", from); err == nil && have != c.want || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%d of %s: %s, %v: want %s", c.count, c.variables, have, err, c.want)
		}
	}
}

// Every recording is in one shard.
func TestShardsPartAList(t *testing.T) {
	list := make([]Recording, 11)
	for i := range list {
		list[i].Line = i
	}
	for count := range 13 {
		seen := map[int]int{}
		for i := range max(count, 1) {
			for _, rec := range (Shard{i, count}).of(list) {
				seen[rec.Line]++
			}
		}
		for i := range list {
			if seen[i] != 1 {
				t.Errorf("recording %d is in %d of %d shards", i, seen[i], count)
			}
		}
	}
}

func TestProcessors(t *testing.T) {
	for _, c := range []struct {
		seen      int
		task, job string
		want      int
	}{{64, "", "", 64}, {64, "", "8", 8}, {64, "2", "8", 2}, {2, "", "8", 2}, {4, "", "no", 4}} {
		have := Processors(c.seen, func(name string) string {
			return map[string]string{"SLURM_CPUS_PER_TASK": c.task, "SLURM_CPUS_ON_NODE": c.job}[name]
		})
		if have != c.want {
			t.Errorf("%+v: %d", c, have)
		}
	}
}
